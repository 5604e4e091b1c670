package sitefile

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
)

// Word is one thing that is said of something, in the words of workshop files.
type Word struct {
	Key, Text string
	// Seal tells apart what has the same text; usually empty.
	Seal string
}

// Difference is what an import changes of one thing that is said of something.
type Difference struct {
	Key           string
	Before, After string // empty: it was not said, or is not any more
}

// Differ lists what is said otherwise after than before, in the order in which
// it is said.
func Differ(before, after []Word) []Difference {
	had := make(map[string]Word, len(before))
	for _, w := range before {
		had[w.Key] = w
	}
	var out []Difference
	for _, w := range after {
		old := had[w.Key]
		delete(had, w.Key)
		if old.Text != w.Text || old.Seal != w.Seal {
			out = append(out, Difference{w.Key, old.Text, w.Text})
		}
	}
	for _, w := range before {
		if old, left := had[w.Key]; left && old.Text != "" {
			out = append(out, Difference{w.Key, old.Text, ""})
		}
	}
	return out
}

// words leaves out what is not said.
func words(pairs ...string) []Word {
	var out []Word
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			out = append(out, Word{Key: pairs[i], Text: pairs[i+1]})
		}
	}
	return out
}

// SiteWords says a site.
func SiteWords(s site.Site) []Word { return words("name", s.Name, "time_zone", s.TimeZone) }

// FamilyWords says an engine family.
func FamilyWords(f site.EngineFamily) []Word { return words("name", f.Name) }

// BayWords says a bay; instants are told in the zone.
func BayWords(b site.Bay, zone *time.Location) []Word {
	return append(words("name", b.Name, "features", strings.Join(b.Features, ", ")), closureWords("closed", b.Closures, zone)...)
}

// TechnicianWords says a technician.
func TechnicianWords(t site.Technician, zone *time.Location) []Word {
	out := words("name", t.Name, "skills", strings.Join(t.Skills, ", "))
	for i, day := range weekdays {
		out = append(out, Word{Key: day, Text: hours.FormatStretches(t.Shifts.Week[(i+1)%7])})
	}
	dates := make([]hours.Date, 0, len(t.Shifts.Exceptions))
	for d := range t.Shifts.Exceptions {
		dates = append(dates, d)
	}
	slices.SortFunc(dates, hours.Date.Compare)
	for _, d := range dates {
		out = append(out, Word{Key: d.String(), Text: hours.FormatStretches(t.Shifts.Exceptions[d])})
	}
	return append(out, closureWords("absent", t.Absences, zone)...)
}

func closureWords(key string, list []site.Closure, zone *time.Location) []Word {
	var out []Word
	for _, c := range list {
		out = append(out, Word{Key: key + " " + momentIn(c.During.Start, zone), Text: "until " + untilIn(c.During.End, zone) + ", " + c.Reason})
	}
	return out
}

// TypeWords says a tool type.
func TypeWords(t site.ToolType) []Word { return cellWords(typeColumns, typeCells(t)) }

// ToolWords says a tool.
func ToolWords(t site.Tool, zone *time.Location) []Word {
	cells := toolCells(t)
	cells["condition_until"], cells["calibrated_until"] = untilIn(t.ConditionUntil, zone), untilIn(t.CalibratedUntil, zone)
	return cellWords(toolColumns, cells)
}

func cellWords(columns []string, cells map[string]string) []Word {
	var out []Word
	for _, c := range columns {
		if text := cells[c]; text != "" && c != columns[0] {
			out = append(out, Word{Key: c, Text: text})
		}
	}
	return out
}

// BookingWords says a standing booking.
func BookingWords(b StandingBooking, zone *time.Location) []Word {
	out := words("state", string(b.State), "expires", untilIn(b.ExpiresAt, zone), "note", b.Note)
	times := make(map[string]int)
	for _, c := range b.Claims {
		key := c.Resource
		if times[key]++; times[key] > 1 {
			key = fmt.Sprintf("%s (%d)", key, times[key])
		}
		start, end := c.During.Start.In(zone), c.During.End.In(zone)
		until := end.Format("15:04")
		if start.Format(time.DateOnly) != end.Format(time.DateOnly) {
			until = momentIn(end, zone)
		}
		out = append(out, Word{Key: key, Text: momentIn(start, zone) + " to " + until})
	}
	return out
}

// StepWords says the steps of a procedure or preparation; seal tells apart what
// is left out here.
func StepWords(list []procedure.Step, under string, seal func(any) string) []Word {
	var out []Word
	for _, s := range list {
		out = append(out, Word{
			Key: under + " " + s.ID, Seal: seal(s),
			Text: fmt.Sprintf("%s, %d/%d/%d min", s.Title, s.Estimate.Low, s.Estimate.Likely, s.Estimate.High),
		})
	}
	return out
}

// ProcedureWords says a procedure.
func ProcedureWords(p procedure.Procedure, seal func(any) string) []Word {
	out := words("title", p.Title, "family", p.Family, "version", whole(p.Version), "state", string(p.State),
		"needs", strings.Join(p.Needs, ", "), "bay_features", strings.Join(p.BayFeatures, ", "))
	return append(out, StepWords(p.Steps, "step", seal)...)
}

// PreparationWords says a preparation.
func PreparationWords(p procedure.Preparation, seal func(any) string) []Word {
	out := words("title", p.Title, "family", p.Family, "needs", strings.Join(p.Needs, ", "),
		"excludes", strings.Join(p.Excludes, ", "), "bay_features", strings.Join(p.BayFeatures, ", "))
	if len(p.Holds) > 0 {
		out = append(out, Word{Key: "holds", Text: whole(len(p.Holds)), Seal: seal(p.Holds)})
	}
	if len(p.Cautions) > 0 {
		out = append(out, Word{Key: "cautions", Text: whole(len(p.Cautions)), Seal: seal(p.Cautions)})
	}
	out = append(out, StepWords(p.SetUp, "set-up step", seal)...)
	return append(out, StepWords(p.PutBack, "put-back step", seal)...)
}

func momentIn(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return ""
	}
	return t.In(zone).Format("2006-01-02 15:04")
}

// untilIn tells where something ends as workshop files do: a day alone is
// included.
func untilIn(t time.Time, zone *time.Location) string {
	if at := t.In(zone); !t.IsZero() && at.Hour() == 0 && at.Minute() == 0 && at.Second() == 0 {
		return hours.DateOf(t, zone).AddDays(-1).String()
	}
	return momentIn(t, zone)
}
