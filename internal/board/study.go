package board

import (
	"fmt"
	"io"
	"math"

	"bayhold/internal/forecast"
	"bayhold/internal/picture"
	"bayhold/internal/workshop"
)

// studyMost is how many resources the picture of a study shows.
const studyMost = 14

// Study draws a study: what each variant saves, with its interval, and how much
// the resources are used.
func (Sheets) Study(w io.Writer, a workshop.StudyAnswer) error {
	b := picture.Bars{
		Title: fmt.Sprintf("Vehicles wait %.1f days", a.Base.Wait.Mean),
		About: fmt.Sprintf("The workshop as it is, and changes of it: %d weeks, played %d times over.", a.Weeks, a.Replications),
	}
	if a.Base.Growing {
		b.Title += ", and more every week: the demand is more than the workshop can do"
	}
	if len(a.Variants) > 0 {
		b.Groups = append(b.Groups, savings(a.Variants))
	}
	b.Groups = append(b.Groups, uses(a.Base.Units))
	file, err := b.File(picture.Explaining())
	if err != nil {
		return err
	}
	_, err = io.WriteString(w, file)
	return err
}

// savings has a bar from zero for each variant.
func savings(list []forecast.Compared) picture.BarGroup {
	g := picture.BarGroup{
		Title: "Waiting days saved over these weeks, all jobs together; the line is the 95 % interval", Unit: "days",
		Key: []picture.KeyLook{
			{Look: picture.Stands, Text: "saves waiting"}, {Look: picture.Open, Text: "may do nothing: within chance"},
			{Look: picture.Amiss, Text: "makes vehicles wait longer"},
		},
	}
	for _, v := range list {
		look := picture.Open
		switch {
		case v.Saved.Low > 0:
			look = picture.Stands
		case v.Saved.High < 0:
			look = picture.Amiss
		}
		g.Rows = append(g.Rows, picture.BarRow{
			Name: v.Name, Figure: fmt.Sprintf("%.1f days", v.Saved.Mean), Low: v.Saved.Low, High: v.Saved.High,
			Parts: []picture.BarPart{{From: 0, To: v.Saved.Mean, Look: look}},
			Says:  fmt.Sprintf("%s: saves %.1f waiting days, between %.1f and %.1f", v.Name, v.Saved.Mean, v.Saved.Low, v.Saved.High),
		})
	}
	return g
}

// uses has for each resource how much of its time it is held, and held in vain.
func uses(list []forecast.UnitUse) picture.BarGroup {
	g := picture.BarGroup{
		Title: "Share of working time in use, the workshop as it is", Unit: "% of the time", Full: 100,
		Key: []picture.KeyLook{{Look: picture.Stands, Text: "in use"}, {Look: picture.Shut, Text: "held while nobody works on its job"}},
	}
	for _, u := range list[:min(len(list), studyMost)] {
		used := 100 * math.Min(1, u.Used.Mean)
		vain := math.Min(used, 100*u.Blocked.Mean)
		row := picture.BarRow{
			Name: u.ID, Figure: fmt.Sprintf("%.0f %%", 100*u.Used.Mean),
			Parts: []picture.BarPart{{From: 0, To: used - vain, Look: picture.Stands}, {From: used - vain, To: used, Look: picture.Shut}},
			Says:  fmt.Sprintf("%s: in use for %.0f %% of the time", u.ID, 100*u.Used.Mean),
		}
		if vain > 0 {
			row.Says += fmt.Sprintf("; for %.0f %% held while nobody works on its job", 100*u.Blocked.Mean)
		}
		g.Rows = append(g.Rows, row)
	}
	return g
}
