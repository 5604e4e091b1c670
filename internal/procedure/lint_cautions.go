package procedure

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"bayhold/internal/site"
)

// danger is a kind of work that asks for a caution.
type danger struct {
	code string
	// words are those of a title or instruction that tell of it; nil if only
	// tools or people do.
	words *regexp.Regexp
	// purposes are those of tools that tell of it.
	purposes []site.Purpose
	// crowd asks for two people at the step besides the words.
	crowd bool
	what  string
}

// whole makes a pattern of whole words, any of which will do.
func whole(words ...string) *regexp.Regexp {
	return regexp.MustCompile(`(?i)\b(` + strings.Join(words, "|") + `)\b`)
}

// handTurned is turning the engine by hand.
var handTurned = whole(`(turns?|turning|rotat\w+) .{0,40}by hand`, `hand[- ]turns?`, `by hand .{0,20}turns?`, `two (full )?(crank )?turns`)

// ranIndoors is running the engine, crankedOver turning it by its starter.
var (
	ranIndoors  = whole(`(start|run|idle|warm up) (the )?engine`, `(with|while|let) (the )?engine (is )?(runs?|running|idles?|idling)`, `first start`, `test run`)
	crankedOver = whole(`crank(s|ing|ed)? (the engine|over|it over)`, `(first|engine) start`, `start the engine`, `starter motor turns`)
)

// dangers are the kinds of work that general authorities and common practice
// warn of; see the codes for who says so.
var dangers = []danger{
	{code: LiftSupport, words: whole(`lift(ing)? the (vehicle|car|van)`, `(vehicle|car|van) (is )?(lifted|raised|up)`, `rais\w+ the (vehicle|car|van)`,
		`jack(ing|ed)? up`, `axle stands?`, `trolley jack`, `two-post lift`, `under the (vehicle|car|van)`), what: "works under a lifted vehicle"},
	{code: CogShift, words: whole(`(remov\w+|tak\w+|lift\w*|lower\w*|pull\w*) (off |out |down |away )?(the )?(engine|gearbox|transmission|sub-?frame|rear axle)( out| down| off)?`,
		`(engine|gearbox|transmission|sub-?frame) (out|off|down)`), what: "takes off a heavy part that shifts the centre of gravity"},
	{code: FuelPressure, words: whole(`fuel (rail|line|pipe|union|pump|hose)s?`, `injectors?`, `injection (pump|line|pipe)s?`, `high[- ]pressure (pump|fuel|line|pipe)s?`,
		`common rail`), what: "opens or works by fuel under high pressure"},
	{code: BatteryIsolate, words: whole(`(disconnect|isolat|remov|unscrew|tak)\w*.{0,30} battery`, `starter( motor)?`, `alternator`, `high[- ]voltage`), what: "works on or by the battery's circuits"},
	{code: Hot, words: whole(`hot`, `while warm`, `warm (engine|coolant|oil)`, `exhaust (manifold|downpipe|system)`, `turbo(charger)?`,
		`(open|drain)\w* (the )?coolant`), what: "works by hot parts or fluid"},
	{code: StoredEnergy, words: whole(`tensioners?`, `valve springs?`, `spring (compressor|tension)`), purposes: []site.Purpose{site.Tensioning},
		what: "releases or compresses a spring or tensioner"},
	{code: Eye, words: whole(`drill(s|ing|ed)?( out)?`, `grind(s|ing)?`, `chisel(s|ing|led)?`, `swarf`, `ream(s|ing|ed)?`, `compressed air`),
		purposes: []site.Purpose{site.Drilling}, what: "makes swarf or flying parts"},
	{code: Fumes, words: ranIndoors, what: "runs the engine indoors"},
	{code: TwoPerson, words: whole(`lift\w*`, `lower\w*`, `carr(y|ies|ying)`, `heavy`, `sub-?frame`, `gearbox`, `cylinder head`, `counter[- ]?hold\w*`),
		crowd: true, what: "is lifted or held by two people"},
	{code: LocksOut, words: crankedOver, what: "cranks the engine"},
	{code: HandTurns, words: whole(`first start`, `start the engine for the first time`), what: "starts the engine for the first time"},
	{code: Chemical, words: whole(`sealants?`, `liquid gasket`, `solvents?`, `brake cleaner`, `thread ?lock(er|ing)?`, `adhesive`),
		what: "uses sealants or solvents"},
}

// cautioned finds dangers of a step that nobody is warned of: neither at the
// step nor by a preparation that it stands in.
func (ln linter) cautioned(c checker, s Step, in map[string]bool) {
	text := s.words()
	for _, d := range dangers {
		why := ln.tells(d, s, text)
		if why == "" || warns(s.Cautions, d.code) {
			continue
		}
		said := false
		for id := range in {
			said = said || warns(ln.Preparations[id].Cautions, d.code)
		}
		if !said {
			c.at(0, "cautions").advise("caution-missing", "it %s (%s), and no caution %s says so", d.what, why, d.code)
		}
	}
}

// tells says what shows a danger of a step; empty if nothing does.
func (ln linter) tells(d danger, s Step, text string) string {
	for _, n := range s.Tools {
		if p := ln.purpose(n); p != "" && slices.Contains(d.purposes, p) {
			return fmt.Sprintf("its tools: %s", n)
		}
	}
	if d.crowd && s.people() < 2 {
		return ""
	}
	if found := d.words.FindString(text); found != "" {
		return fmt.Sprintf("its words: %q", found)
	}
	return ""
}

// words is what a step says to people.
func (s Step) words() string { return s.Title + ". " + s.Instruction }

// people is how many work at the step at the same time.
func (s Step) people() int {
	n := 0
	for _, c := range s.Crew {
		n += c.People
	}
	return n
}

// warns reports whether one of the cautions has the code.
func warns(cs []Caution, code string) bool {
	return slices.ContainsFunc(cs, func(c Caution) bool { return c.Code == code })
}
