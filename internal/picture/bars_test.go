package picture

import (
	"strings"
	"testing"
)

// The marks of a scale stand at round numbers, some three to seven of them, and
// nothing is drawn beyond it.
func TestScales(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		low, high, step float64
	}{{0, 100, 20}, {-70, 182, 50}, {0, 0.37, 0.1}, {-3, 4000, 1000}, {0, 7, 1}} {
		g := BarGroup{Rows: []BarRow{{Low: c.low, High: c.high, Parts: []BarPart{{0, c.high, Stands}}}}}
		low, high, step := g.span()
		if low != c.low || high != c.high || step < c.step*0.999 || step > c.step*1.001 {
			t.Errorf("%v to %v has marks every %v, from %v to %v; want every %v", c.low, c.high, step, low, high, c.step)
		}
	}
	if low, high, step := (BarGroup{Rows: []BarRow{{}}}).span(); low != 0 || high != 1 || step <= 0 {
		t.Errorf("of nothing: %v %v %v", low, high, step)
	}
}

func TestBarsSayWhatTheyShow(t *testing.T) {
	t.Parallel()
	b := Bars{Title: "Waits", About: "How long.", Groups: []BarGroup{{
		Title: "Saved", Unit: "days", Full: 10, Key: []KeyLook{{Amiss, "worse"}},
		Rows: []BarRow{{Name: `<"a">`, Figure: "4 days", Says: "a saves 4 & more", Low: 3, High: 5, Parts: []BarPart{{0, 4, Open}}}},
	}}}
	got, err := b.File(Explaining())
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"<title", ">Waits</title>", ">How long.</desc>", "a saves 4 &amp; more", "&lt;&#34;a&#34;&gt;", ">days</text>", ">worse</text>", ">0</text>", ">10</text>", "url(#open)"} {
		if !strings.Contains(got, want) {
			t.Errorf("no %s in\n%s", want, got)
		}
	}
	if strings.Contains(got, "#1") && !strings.Contains(got, "var(--ink)") || strings.Contains(got, `fill="#`) {
		t.Error("a colour stands beside the palette")
	}
}
