package board

import (
	"fmt"
	"time"

	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
)

// wed is eleven o'clock on the Wednesday of the sample weeks, in Lisbon.
var wed = time.Date(2031, 5, 14, 10, 0, 0, 0, time.UTC)

func quayZone() *time.Location {
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		panic(err)
	}
	return zone
}

// at is a time of the sample week: day 0 is Monday.
func at(day, hour int) time.Time {
	return time.Date(2031, 5, 12+day, hour, 0, 0, 0, quayZone()).UTC()
}

func from(day, hour, toDay, toHour int) hours.Range {
	return hours.Range{Start: at(day, hour), End: at(toDay, toHour)}
}

func emptyBoard() workshop.Board {
	return workshop.Board{
		Site: site.Site{ID: "quay", Name: "Quay Engines", TimeZone: "Europe/Lisbon", Revision: 7}, Zone: quayZone(), Now: wed,
		During: from(0, 0, 7, 0), Jobs: map[int64]workshop.BoardJob{},
	}
}

// sampleBoard has one of everything that a board tells.
func sampleBoard() workshop.Board {
	b := emptyBoard()
	for d := range 5 {
		b.Open = append(b.Open, from(d, 8, d, 12), from(d, 13, d, 17))
	}
	job := func(id int64, reference, title, bay string, state site.BookingState, planned hours.Range) workshop.BoardJob {
		return workshop.BoardJob{Job: site.Job{ID: id, Reference: reference, State: state, Planned: planned}, Title: title, Bay: bay}
	}
	one := job(1, "W-600", "Renew the timing chain", "bay-1", site.Confirmed, from(0, 8, 2, 16))
	one.Promise, one.Confidence = at(2, 17), 0.85
	two := job(2, "W-601", "Belt & pump <kit>", "bay-1", site.Confirmed, from(3, 8, 4, 17))
	two.Promise, two.Late = at(4, 12), true
	three := job(3, "W-602", "Cam phasers", "bay-2", site.Tentative, from(3, 13, 8, 12))
	three.ExpiresAt = at(3, 9)
	four := job(4, "R-9", "", "", site.Confirmed, from(2, 8, 2, 15))
	for _, j := range []workshop.BoardJob{one, two, three, four} {
		b.Jobs[j.ID] = j
	}
	stay := func(booking, job int64, r hours.Range) workshop.Stay {
		return workshop.Stay{Booking: booking, Job: job, During: r}
	}
	unfit := stay(13, 3, from(3, 14, 4, 12))
	unfit.Unfit = "goes out of calibration Thu 2031-05-15 12:00"
	out := stay(12, 4, from(2, 8, 2, 15))
	b.Bays = []workshop.BoardBay{
		{Bay: site.Bay{ID: "bay-1", Name: "Bay 1, two-post lift"}, Stays: []workshop.BayStay{
			{Stay: stay(10, 1, one.Planned), People: []string{"Ada", "Ben"}, Worked: []hours.Range{from(0, 8, 0, 12), from(1, 8, 1, 17), from(2, 8, 2, 16)}},
			{Stay: stay(11, 2, two.Planned), People: []string{"Cem"}},
		}},
		{Bay: site.Bay{ID: "bay-2", Name: "Bay 2", Closures: []site.Closure{{During: from(0, 0, 2, 0), Reason: "lift inspection"}}}, Stays: []workshop.BayStay{{Stay: stay(14, 3, three.Planned)}}},
		{Bay: site.Bay{ID: "bay-3", Name: "Bay 3"}},
	}
	b.Tools = []workshop.BoardTool{
		{Tool: site.Tool{Tag: "LK-1", Home: "Cabinet A", Condition: site.Serviceable}, Name: "Brill locking set", Scarce: true, Stays: []workshop.Stay{out}, Here: &out,
			Out: &site.Issue{Tool: "LK-1", Technician: "ben", Bay: "bay-1", Reference: "R-9", DueAt: at(2, 9)}},
		{Tool: site.Tool{Tag: "TW-2", Home: "Cabinet B", Condition: site.Serviceable}, Name: "torque wrench 40-200", Stays: []workshop.Stay{unfit}, Next: &unfit,
			Lapses: []hours.Range{from(3, 12, 7, 0)}, Why: "goes out of calibration Thu 2031-05-15 12:00"},
		{Tool: site.Tool{Tag: "JG-1", Home: "Cabinet C", Condition: site.Quarantined, ConditionNote: "bush worn"}, Name: "Tarn drilling jig", Lapses: []hours.Range{from(2, 11, 7, 0)}, Why: "QUARANTINED: bush worn"},
	}
	b.People = []workshop.BoardPerson{
		{Technician: site.Technician{ID: "ada", Name: "Ada"}, Shifts: b.Open, Stays: []workshop.Stay{stay(20, 1, from(2, 8, 2, 12))}, On: 1, Doing: "Fit the chain"},
		{Technician: site.Technician{ID: "ben", Name: "Ben", Absences: []site.Closure{{During: from(3, 0, 4, 0), Reason: "training"}}}, Shifts: b.Open},
	}
	b.Late = []workshop.Notice{
		{Kind: workshop.NoticeStep, Job: 1, Reference: "W-600", Bay: "bay-1", At: at(2, 10), What: "Fit the chain"},
		{Kind: workshop.NoticeReturn, Job: 4, Reference: "R-9", Ref: &workshop.Ref{Kind: site.KindTool, ID: "LK-1"}, At: at(2, 9), Who: "Ben"},
		{Kind: workshop.NoticeJob, Job: 1, Reference: "W-600", Bay: "bay-1", At: at(2, 10), What: "Fit the cover"},
	}
	b.Wait = []workshop.Notice{
		{Kind: workshop.NoticeLapse, Job: 3, Reference: "W-602", Bay: "bay-2", At: at(3, 9)},
		{Kind: workshop.NoticeParts, Job: 2, Reference: "W-601", Bay: "bay-1", At: at(3, 10), What: "belt kit, seal"},
		{Kind: workshop.NoticePromise, Job: 2, Reference: "W-601", Bay: "bay-1", At: at(4, 12), Then: at(4, 17)},
		{Kind: workshop.NoticeUnfit, Job: 3, Reference: "W-602", Bay: "bay-2", At: at(3, 14), Ref: &workshop.Ref{Kind: site.KindTool, ID: "TW-2"}, What: unfit.Unfit},
	}
	return b
}

// fullBoard has eight bays, forty jobs, twenty tools and a dozen people, with
// long names.
func fullBoard() workshop.Board {
	b := emptyBoard()
	b.Site.Name = "Quay Engines and Transmissions of the Harbour, Lower Basin, Hall Number Four"
	for d := range 5 {
		b.Open = append(b.Open, from(d, 7, d, 18))
	}
	id := int64(100)
	for bay := range 8 {
		out := workshop.BoardBay{Bay: site.Bay{ID: fmt.Sprintf("bay-%d", bay+1), Name: fmt.Sprintf("Bay %d, two-post lift, engine crane, exhaust extraction", bay+1)}}
		for n := range 5 {
			id++
			j := workshop.BoardJob{Job: site.Job{ID: id, Reference: fmt.Sprintf("W-%d", 2000+id), State: site.Confirmed, Planned: from(n, 7+bay%3, n, 15+bay%4)},
				Title: "Timing chain, guides, tensioner, phasers and oil pump chain with everything around it", Bay: out.ID}
			switch (bay + n) % 7 {
			case 0:
				j.State, j.ExpiresAt = site.Tentative, at(4, 17)
			case 1:
				j.Late, j.Promise = true, at(n, 13)
			case 2:
				j.Promise, j.Confidence = at(n, 18), 0.9
			}
			b.Jobs[id] = j
			out.Stays = append(out.Stays, workshop.BayStay{Stay: workshop.Stay{Booking: id, Job: id, During: j.Planned}, People: []string{"Bartholomew Featherstonehaugh"}, Worked: []hours.Range{from(n, 9, n, 12)}})
			if j.Late {
				b.Wait = append(b.Wait, workshop.Notice{Kind: workshop.NoticePromise, Job: id, Reference: j.Reference, Bay: out.ID, At: j.Promise, Then: j.Planned.End})
			}
		}
		b.Bays = append(b.Bays, out)
	}
	for n := range 20 {
		t := workshop.BoardTool{Tool: site.Tool{Tag: fmt.Sprintf("LOCKING-SET-%d", n+1), Home: "Cabinet A, second drawer", Condition: site.Serviceable}, Name: "Locking set", Scarce: n < 8}
		for d := range 4 {
			t.Stays = append(t.Stays, workshop.Stay{Booking: id + 1000 + int64(n*10+d), Job: 101 + int64((n+d*5)%40), During: from(d, 8, d, 12+n%5)})
		}
		b.Tools = append(b.Tools, t)
	}
	for n := range 12 {
		p := workshop.BoardPerson{Technician: site.Technician{ID: fmt.Sprintf("p-%d", n), Name: fmt.Sprintf("Bartholomew Featherstonehaugh %d", n+1)}, Shifts: b.Open, On: 101 + int64(n)}
		for d := range 5 {
			p.Stays = append(p.Stays, workshop.Stay{Booking: id + 3000 + int64(n*10+d), Job: 101 + int64((n+d*5)%40), During: from(d, 8, d, 16)})
		}
		b.People = append(b.People, p)
	}
	return b
}
