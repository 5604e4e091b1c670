package picture

import (
	"math"
	"regexp"
	"strconv"
	"testing"
)

// luminance is the relative luminance of WCAG 2.2.
func luminance(t *testing.T, colour string) float64 {
	t.Helper()
	if !regexp.MustCompile(`^#[0-9a-f]{6}$`).MatchString(colour) {
		t.Fatalf("%q is no colour", colour)
	}
	part := func(from int) float64 {
		n, err := strconv.ParseUint(colour[from:from+2], 16, 8)
		if err != nil {
			t.Fatal(err)
		}
		c := float64(n) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*part(1) + 0.7152*part(3) + 0.0722*part(5)
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	l, m := luminance(t, a), luminance(t, b)
	return (max(l, m) + 0.05) / (min(l, m) + 0.05)
}

// The ends of the scale, and the grey that is the lightest to be read on white,
// are those that WCAG's own documents name (Understanding 1.4.3: #767676, from
// memory).
func TestContrastIsThatOfWCAG(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		a, b string
		want float64
	}{{"#000000", "#ffffff", 21}, {"#ffffff", "#ffffff", 1}, {"#767676", "#ffffff", 4.54}} {
		if got := contrast(t, c.a, c.b); math.Abs(got-c.want) > 0.005 {
			t.Errorf("%s on %s: %.3f, want %.2f", c.a, c.b, got, c.want)
		}
	}
}

// TestColoursThatMeetCanBeToldApart wants of text 4.5:1 (WCAG 2.2, 1.4.3, AA)
// and of edges, patterns and the ring of the focus 3:1 (1.4.11).
func TestColoursThatMeetCanBeToldApart(t *testing.T) {
	t.Parallel()
	inks := map[string]Ink{}
	for _, i := range Palette() {
		inks[i.Role] = i
	}
	for _, p := range Pairs() {
		fore, ok := inks[p.Fore]
		ground, there := inks[p.Ground]
		if !ok || !there {
			t.Errorf("%s on %s: no such colour", p.Fore, p.Ground)
			continue
		}
		want := 3.0
		if p.Text {
			want = 4.5
		}
		for scheme, c := range map[string][2]string{"light": {fore.Light, ground.Light}, "dark": {fore.Dark, ground.Dark}} {
			if got := contrast(t, c[0], c[1]); got < want {
				t.Errorf("%s: %s on %s has %.2f:1, less than %.1f:1", scheme, p.Fore, p.Ground, got, want)
			}
		}
	}
}
