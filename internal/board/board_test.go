package board

import (
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"bayhold/internal/picture"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/torque"
	"bayhold/internal/workshop"
)

var update = flag.Bool("update", false, "write the golden files anew")

func asText(t testing.TB, s workshop.Sheet) string {
	t.Helper()
	var b strings.Builder
	if err := (Sheets{}).Text(&b, s); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func asHTML(t testing.TB, s workshop.Sheet) string {
	t.Helper()
	var b strings.Builder
	if err := (Sheets{}).HTML(&b, s); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestSheetIsAsItWas(t *testing.T) {
	t.Parallel()
	for name, got := range map[string]string{"sheet.txt": asText(t, sample()), "sheet.html": asHTML(t, sample())} {
		golden := filepath.Join("testdata", name)
		if *update {
			if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), got); diff != "" {
			t.Errorf("%s: run with -update to accept (-want +got):\n%s", name, diff)
		}
	}
}

// seen takes marks and frames out and makes one line of either layout.
func seen(s string) string {
	s = regexp.MustCompile(`(?s)<style>.*?</style>|<[^>]*>`).ReplaceAllString(s, " ")
	s = strings.NewReplacer("&#39;", "'", "&#34;", `"`, "&amp;", "&", "#", "").Replace(s)
	return strings.Join(strings.Fields(s), " ")
}

func TestBothLayoutsSayWhatMatters(t *testing.T) {
	t.Parallel()
	for name, got := range map[string]string{"text": seen(asText(t, sample())), "page": seen(asHTML(t, sample()))} {
		for _, want := range []string{
			"W-600", "Brill four", "Renew the timing chain (chain, version 1)", "Bay 1, two-post lift",
			"Mon 12 May 2031 08:00", "Tue 13 May 2031 15:00", "Tue 13 May 2031 17:00", "Fri 09 May 2031 16:30",
			"TENTATIVE: this job is not confirmed. It lapses Sun 11 May 2031 12:00.",
			"NEWER VERSION:",
			"Cabinet A", "count 1 × crank pin, 2 × cam plate", "Mon 12 May 09:00 to Tue 13 May 14:00", "QUARANTINED when this was printed", "NO CALIBRATION",
			"here", "expected Tue 13 May 10:00", "ordered, no date", "nothing said", "TOO LATE for step 3", "1 if worn", "6, single use",
			"set TW-1 to 88.9 N·m for 100 N·m wanted (adapter)", "turn each 90° further, by angle",
			"6 fasteners × 2 stages, M10x1.25, class 10.9, drive 1/2in", "crosswise from the middle outwards",
			"drive MU-1 with 20 N·m for 100 N·m wanted (multiplier, ratio 5)", "turn it 270° further, by angle",
			"NO SET VALUE: TW-1: it begins at 40 N·m and would be set to 10 N·m.", "10 N·m wanted; no set value: see above",
			"265 to 275°", "at most 0.05 mm", "must be 3 pieces", "16:30 to Tue 13 May 09:30",
			`HOLD POINT: nobody passes until "Pieces counted" and "Two turns by hand without resistance" are recorded and signed.`,
			"Go straight on with step 4: no gap", "WAIT 2 h 30 min", "until Tue 13 May 13:00", "Unattended", "Unbroken",
			"Signed 1 of 2", "Signed 2 of 2", "Ada, Cem (1 with timing; 1)",
			"The vehicle maker's data, local law and the judgement of a qualified technician come first.",
			"It does not certify", "Figures shipped with the demo workshop are invented.",
		} {
			if !strings.Contains(got, want) {
				t.Errorf("the %s does not say %q", name, want)
			}
		}
	}
}

func TestTextFitsItsColumns(t *testing.T) {
	t.Parallel()
	longest := 0
	for i, line := range strings.Split(asText(t, sample()), "\n") {
		longest = max(longest, picture.Width(line))
		if picture.Width(line) > 80 {
			t.Errorf("line %d has %d columns: %s", i+1, picture.Width(line), line)
		}
	}
	if longest != 80 {
		t.Errorf("the longest line has %d columns", longest)
	}
}

func TestTextFitsWhateverIsTyped(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s, typed := sample(), rapid.String()
		s.Job.Reference, s.Bay, s.Family, s.Site.Name = typed.Draw(t, "reference"), typed.Draw(t, "bay"), typed.Draw(t, "family"), typed.Draw(t, "site")
		s.Spans[0].Tag, s.Spans[0].Name, s.Spans[0].Home = typed.Draw(t, "tag"), typed.Draw(t, "name"), typed.Draw(t, "home")
		s.Job.Parts[0].Title, s.Job.Parts[0].ID = typed.Draw(t, "part"), typed.Draw(t, "part id")
		l := &s.Lines[4]
		l.Owner, l.Step.Title, l.Step.Instruction = typed.Draw(t, "owner"), typed.Draw(t, "title"), typed.Draw(t, "instruction")
		l.Step.Checks[0].Title, l.Step.Checks[0].Unit = typed.Draw(t, "check"), typed.Draw(t, "unit")
		l.Cautions = []procedure.Caution{{Signal: procedure.Danger, Text: typed.Draw(t, "caution")}}
		l.People, l.Tools = []string{typed.Draw(t, "person")}, []string{typed.Draw(t, "tool")}
		var b strings.Builder
		if err := (Sheets{}).Text(&b, s); err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(b.String()) {
			if n := picture.Width(strings.TrimSuffix(line, "\n")); n > 80 {
				t.Fatalf("%d columns: %q", n, line)
			}
		}
	})
}

func TestWrapKeepsEverySign(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text, most := clean(rapid.String().Draw(t, "text")), rapid.IntRange(2, 40).Draw(t, "most")
		lines := picture.Wrap(text, most)
		for _, l := range lines {
			if picture.Width(l) > most {
				t.Fatalf("%q has more than %d columns", l, most)
			}
		}
		bare := strings.NewReplacer(" ", "")
		if got := bare.Replace(strings.Join(lines, "")); got != bare.Replace(text) {
			t.Fatalf("%q became %q", text, lines)
		}
	})
}

// TestCautionsComeBeforeTheirSteps looks for every caution between the title of
// the step before and the title of its own.
func TestCautionsComeBeforeTheirSteps(t *testing.T) {
	t.Parallel()
	s := sample()
	for name, got := range map[string]string{"text": seen(asText(t, s)), "page": seen(asHTML(t, s))} {
		at := strings.Index(got, "MONDAY 12 MAY 2031")
		if at < 0 {
			at = strings.Index(got, "Monday 12 May 2031")
		}
		for _, l := range s.Lines {
			title := strings.Index(got[at:], l.Step.Title)
			if title < 0 {
				t.Fatalf("%s: no step %q", name, l.Step.Title)
			}
			for _, c := range l.Cautions {
				if said := strings.Index(got[at:at+title], string(c.Signal)+" "+c.Text); said < 0 {
					t.Errorf("%s: %q is not said before step %d", name, c.Text, l.Number)
				}
			}
			at += title
		}
	}
}

func TestOnlyInjuriesCarryTheSymbol(t *testing.T) {
	t.Parallel()
	for _, signal := range procedure.Signals() {
		if c := newCaution(signal, ""); c.Injury == (signal == procedure.Notice) {
			t.Errorf("%s: symbol %v", signal, c.Injury)
		}
	}
}

// element is a start tag of a page.
type element struct {
	name  string
	attrs map[string]string
}

// elements reads a page; it fails if a tag is not closed where it should be.
func elements(t *testing.T, page string) []element {
	t.Helper()
	// HTML's empty elements are not closed; everything else here is as in XML.
	d := xml.NewDecoder(strings.NewReader(regexp.MustCompile(`(<(?:meta|br)[^>]*)>`).ReplaceAllString(page, "$1/>")))
	d.Entity = xml.HTMLEntity
	var all []element
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		if start, ok := token.(xml.StartElement); ok {
			e := element{start.Name.Local, map[string]string{}}
			for _, a := range start.Attr {
				e.attrs[a.Name.Local] = a.Value
			}
			all = append(all, e)
		}
	}
}

func TestPageIsForEveryoneAndStandsByItself(t *testing.T) {
	t.Parallel()
	page := asHTML(t, sample())
	ids, count, level := map[string]bool{}, map[string]int{}, 0
	all := elements(t, page)
	for _, e := range all {
		count[e.name]++
		if id := e.attrs["id"]; id != "" {
			if ids[id] {
				t.Errorf("the id %s comes twice", id)
			}
			ids[id] = true
		}
		if e.name == "th" && e.attrs["scope"] == "" {
			t.Error("a table's head without a scope")
		}
		if len(e.name) == 2 && e.name[0] == 'h' && e.name[1] >= '1' && e.name[1] <= '6' {
			if now := int(e.name[1] - '0'); now > level+1 {
				t.Errorf("a heading of level %d under one of %d", now, level)
			} else {
				level = now
			}
		}
	}
	for _, e := range all {
		if ref := e.attrs["aria-labelledby"]; ref != "" && !ids[ref] {
			t.Errorf("a label points to %s, which there is not", ref)
		}
		for _, a := range []string{"src", "href", "style", "onclick", "action"} {
			if v := e.attrs[a]; v != "" && !strings.HasPrefix(v, "#") {
				t.Errorf("%s %s=%q", e.name, a, v)
			}
		}
	}
	if count["main"] != 1 || count["h1"] != 1 || count["header"] != 1 || count["footer"] != 1 || !strings.Contains(page, `<html lang="en">`) {
		t.Errorf("landmarks: %v", count)
	}
	for _, bad := range []string{"<script", "<link", "<img", "@import", "url(", "http://", "https://"} {
		if strings.Contains(page, bad) {
			t.Errorf("the page has %s", bad)
		}
	}
	// Black on white, 21:1 (WCAG 2.2, 1.4.3), in print and on the screen.
	for _, colour := range regexp.MustCompile(`(?i)#[0-9a-f]{3,8}\b|rgba?\(|hsla?\(|opacity`).FindAllString(page, -1) {
		if colour != "#000" && colour != "#fff" {
			t.Errorf("the page is not black on white: %s", colour)
		}
	}
	for _, want := range []string{"size: A4", "break-inside: avoid", "counter(page)"} {
		if !strings.Contains(page, want) {
			t.Errorf("its styles lack %s", want)
		}
	}
}

func TestHostileTextStaysText(t *testing.T) {
	t.Parallel()
	const tag = `</style><script>alert(1)</script>"'}*/<b onclick=x>`
	s := sample()
	s.Site.Name, s.Job.Reference, s.Job.Note, s.Family, s.Bay = tag, tag, tag, tag, tag
	s.Procedures[0].Title = tag
	s.Job.Parts[0].Title, s.Job.Parts[0].ID = tag, tag
	s.Spans[0].Tag, s.Spans[0].Name, s.Spans[0].Home, s.Spans[0].Pieces[0].Name = tag, tag, tag, tag
	for i := range s.Lines {
		l := &s.Lines[i]
		l.Owner, l.Step.Title, l.Step.Instruction, l.People, l.Tools = tag, tag, tag, []string{tag}, []string{tag}
		l.Cautions = []procedure.Caution{{Signal: procedure.Danger, Text: tag}}
		for k := range l.Step.Checks {
			l.Step.Checks[k].Title, l.Step.Checks[k].Unit = tag, tag
		}
		if l.Step.Torque != nil {
			l.Step.Torque.Sequence, l.Step.Torque.Thread, l.Wrench.Tag = tag, tag, tag
		}
	}
	page := asHTML(t, s)
	for _, e := range elements(t, page) {
		if e.name == "script" || e.name == "b" {
			t.Errorf("a typed %s came through", e.name)
		}
	}
	if n := strings.Count(page, "</style>"); n != 1 {
		t.Errorf("the style ends %d times", n)
	}

	s = sample()
	s.Job.Reference = "W\x1b[31m\n\u202e600\xff"
	s.Lines[0].Step.Title = "one\r\ntwo\x00\ttabs"
	for name, got := range map[string]string{"text": asText(t, s), "page": asHTML(t, s)} {
		if i := strings.IndexAny(got, "\x1b\x00\r\t\u202e"); i >= 0 {
			t.Errorf("%s: a control character came through at %d", name, i)
		}
		if !strings.Contains(got, "W [31m 600\uFFFD") || !strings.Contains(got, "one two tabs") {
			t.Errorf("the %s has lost what was typed", name)
		}
	}
}

func TestStatesOfAJob(t *testing.T) {
	t.Parallel()
	for state, want := range map[site.BookingState]string{
		site.Confirmed: "", site.Tentative: "TENTATIVE", site.Cancelled: "CANCELLED: do not work by this sheet.",
	} {
		s := sample()
		s.Job.State, s.Newest = state, map[string]int{"chain": 1}
		alerts := strings.Join(newSheet(s).Alerts, " ")
		if want == "" && alerts != "" || !strings.Contains(alerts, want) {
			t.Errorf("%s: %q", state, alerts)
		}
	}
	for newest, want := range map[int]string{0: "WITHDRAWN: no version", 1: "", 2: "NEWER VERSION"} {
		s := sample()
		s.Job.State, s.Newest = site.Confirmed, map[string]int{"chain": newest}
		alerts := strings.Join(newSheet(s).Alerts, " ")
		if want == "" && alerts != "" || !strings.Contains(alerts, want) {
			t.Errorf("newest version %d: %q", newest, alerts)
		}
	}
}

func TestASheetOfNothingIsASheet(t *testing.T) {
	t.Parallel()
	if text := asText(t, workshop.Sheet{}); !strings.Contains(text, "SAFETY NOTE") {
		t.Error(text)
	}
	if page := asHTML(t, workshop.Sheet{}); !strings.Contains(page, "None booked.") {
		t.Error(page)
	}
}

func TestATorqueWithoutItsWrenchHasNoSetValue(t *testing.T) {
	t.Parallel()
	for name, wrench := range map[string]*workshop.SheetWrench{
		"none looked for": nil,
		"none found":      {Problem: "no tool that is booked for the step covers all its stages"},
		"too few values":  {Tag: "TW-1"},
	} {
		s := sample()
		s.Lines[2].Wrench = wrench
		got := seen(asText(t, s))
		if strings.Contains(got, "set TW-1 to") || !strings.Contains(got, "100 N·m wanted; no set value") {
			t.Errorf("%s: a set value is printed", name)
		}
	}
}

// 100 N·m are 73.76 lbf·ft, 885.1 lbf·in and 10.2 kgf·m (factors of NIST SP 811,
// appendix B.8).
func TestTorquesInAnotherUnitStandBesideNewtonMetres(t *testing.T) {
	t.Parallel()
	for unit, want := range map[torque.Unit]string{
		torque.NewtonMetre:        "100 N·m",
		torque.PoundForceFoot:     "73.8 lbf·ft (100 N·m)",
		torque.PoundForceInch:     "885.1 lbf·in (100 N·m)",
		torque.KilogramForceMetre: "10.2 kgf·m (100 N·m)",
	} {
		if got := measure(unit, 100); got != want {
			t.Errorf("%s, want %s", got, want)
		}
	}
	s := sample()
	s.Unit = torque.PoundForceFoot
	for _, write := range []func(io.Writer, workshop.Sheet) error{Sheets{}.Text, Sheets{}.HTML} {
		var b strings.Builder
		if err := write(&b, s); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(strings.ReplaceAll(b.String(), noBreak, " "), "lbf·ft (") {
			t.Error("the sheet has no torque in lbf·ft")
		}
	}
}
