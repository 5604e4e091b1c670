package bench

import (
	"flag"
	"fmt"
	"html"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var svgFlag = flag.String("svg", "", "directory for curves")

// curve is medians and 99th percentiles over a size, both on logarithmic axes.
type curve struct {
	title, x, y string
	points      []point
}

type point struct{ x, p50, p99 float64 }

// writeCurve draws a curve into the directory that was asked for.
func writeCurve(b *testing.B, c curve) {
	if *svgFlag == "" {
		return
	}
	name := strings.Map(func(r rune) rune {
		if r == ' ' {
			return '-'
		}
		if strings.ContainsRune("',()", r) {
			return -1
		}
		return r
	}, c.title)
	must(b, os.WriteFile(filepath.Join(*svgFlag, name+".svg"), []byte(c.svg()), 0o644)) // #nosec G306
}

func (c curve) svg() string {
	const w, h, left, right, top, bottom = 560.0, 340.0, 70.0, 60.0, 50.0, 60.0
	low, high := math.Inf(1), 0.0
	for _, p := range c.points {
		low, high = min(low, p.p50, p.p99), max(high, p.p50, p.p99)
	}
	low, high = math.Pow(10, math.Floor(math.Log10(low))), math.Pow(10, math.Ceil(math.Log10(high*1.0001)))
	first, last := c.points[0].x, c.points[len(c.points)-1].x
	px := func(x float64) float64 {
		if last <= first {
			return (left + w - right) / 2
		}
		return left + math.Log(x/first)/math.Log(last/first)*(w-left-right)
	}
	py := func(y float64) float64 { return h - bottom - math.Log(y/low)/math.Log(high/low)*(h-top-bottom) }
	var s strings.Builder
	title := html.EscapeString(c.title)
	fmt.Fprintf(&s, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" font-family="sans-serif" font-size="13" role="img"><title>%s</title>`, w, h, title)
	fmt.Fprintf(&s, `<rect width="100%%" height="100%%" fill="#fff"/><text x="%g" y="28" font-size="16">%s</text>`, left, title)
	fmt.Fprintf(&s, `<text x="%g" y="%g" text-anchor="middle">%s</text><text transform="translate(18 %g) rotate(-90)" text-anchor="middle">%s</text>`,
		(left+w-right)/2, h-14, c.x, (top+h-bottom)/2, c.y)
	for y := low; y <= high*1.01; y *= 10 {
		fmt.Fprintf(&s, `<path d="M%g %.1fH%g" stroke="#ccc"/><text x="%g" y="%.1f" text-anchor="end">%g</text>`, left, py(y), w-right, left-8, py(y)+4, y)
	}
	for _, p := range c.points {
		fmt.Fprintf(&s, `<text x="%.1f" y="%g" text-anchor="middle">%s</text>`, px(p.x), h-bottom+20, thousands(p.x))
	}
	for _, line := range []struct {
		name, style string
		of          func(point) float64
	}{
		{"p50", `stroke="#1b5e9b"`, func(p point) float64 { return p.p50 }},
		{"p99", `stroke="#b3432b" stroke-dasharray="6 3"`, func(p point) float64 { return p.p99 }},
	} {
		var at []string
		for _, p := range c.points {
			at = append(at, fmt.Sprintf("%.1f,%.1f", px(p.x), py(line.of(p))))
			fmt.Fprintf(&s, `<circle cx="%.1f" cy="%.1f" r="3"/>`, px(p.x), py(line.of(p)))
		}
		end := c.points[len(c.points)-1]
		fmt.Fprintf(&s, `<polyline points="%s" fill="none" stroke-width="2" %s/><text x="%g" y="%.1f">%s</text>`,
			strings.Join(at, " "), line.style, w-right+10, py(line.of(end))+4, line.name)
	}
	return s.String() + "</svg>\n"
}

// thousands writes a whole number in groups of three digits.
func thousands(v float64) string {
	s := fmt.Sprintf("%.0f", v)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}
