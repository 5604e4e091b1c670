package cli

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// demandHelp says how a demand is written.
const demandHelp = `A demand is P[+P]=PER_WEEK: procedures done together, so many times a week at
random (Poisson). Behind a comma may stand how else it is asked for:
  belt-orlo-20=3,even      at even intervals
  belt-orlo-20=3,cv=0.5    gaps with this standard deviation over their mean:
                           0 is even, 1 at random, above 1 in spells
  belt-orlo-20=6,batch=3   three at once, twice a week
  belt-orlo-20=4,mon,thu   on these weekdays, when work begins: two on each
--demand-file takes the very times from a CSV file with the columns asked and
procedures, the latter with + between them. They are taken again and again, from
the Monday of the first to the Sunday of the last; their first week falls on the
first week that counts. Without a demand, the jobs that began in the last weeks
are it, at random.`

// readDemand reads one --demand.
func (p *place) readDemand(text string) (*bayholdv1.Demand, error) {
	list, tail, ok := strings.Cut(text, "=")
	words := strings.Split(tail, ",")
	rate, err := strconv.ParseFloat(words[0], 64)
	if !ok || err != nil || !(rate > 0) {
		return nil, usage("--demand is %q; write PROCEDURE=PER_WEEK, like belt-orlo-20=4", text)
	}
	d := &bayholdv1.Demand{PerWeek: rate}
	if d.Procedures, err = p.names(procedures, strings.Split(list, "+")); err != nil {
		return nil, err
	}
	for _, word := range words[1:] {
		if d.Asking == nil {
			d.Asking = &bayholdv1.Asking{}
		}
		if err := readAsking(d.GetAsking(), word); err != nil {
			return nil, err
		}
	}
	return d, nil
}

// readAsking reads one word behind a demand.
func readAsking(a *bayholdv1.Asking, word string) error {
	word = strings.TrimSpace(word)
	name, number, valued := strings.Cut(word, "=")
	day, isDay := weekdayOf(word)
	switch {
	case word == "even":
		a.GapVariation = proto.Float64(0)
		return nil
	case isDay:
		a.Weekdays = append(a.Weekdays, isoWeekday(day))
		return nil
	case name == "cv" && valued:
		if cv, err := strconv.ParseFloat(number, 64); err == nil && cv >= 0 {
			a.GapVariation = proto.Float64(cv)
			return nil
		}
	case name == "batch" && valued:
		if n, err := strconv.ParseInt(number, 10, 32); err == nil && n > 0 {
			a.Batch = int32(n)
			return nil
		}
	}
	return usage("--demand: %q says nothing of when it is asked for; write even, cv=0.5, batch=3, or weekdays like mon,thu", word)
}

// readDemandFile reads a list of askings, in the order in which each kind of job
// first stands in it.
func (a *app) readDemandFile(p *place, path string) ([]*bayholdv1.Demand, error) {
	body, err := a.readFile(path)
	if err != nil {
		return nil, err
	}
	rows, faults := readCSV(path, body, []string{"asked", "procedures"})
	if len(rows) == 0 && len(faults.fields) == 0 {
		faults.add(1, "nothing is asked for: write one row for each job")
	}
	kinds := map[string]*bayholdv1.Demand{}
	var out []*bayholdv1.Demand
	for _, row := range rows {
		at, err := p.clock.read(row.get("asked"), dayStart)
		faults.check(row.line, err)
		kind := row.get("procedures")
		d := kinds[kind]
		if d == nil {
			names, err := p.names(procedures, strings.Split(kind, "+"))
			faults.check(row.line, err)
			d = &bayholdv1.Demand{Procedures: names, Asking: &bayholdv1.Asking{}}
			kinds[kind] = d
			out = append(out, d)
		}
		d.Asking.Times = append(d.Asking.Times, timestamppb.New(at.at))
	}
	return out, faults.problem()
}

// asked tells when a kind of job is asked for; empty: at random.
func asked(d *bayholdv1.Demand) string {
	a := d.GetAsking()
	var parts []string
	switch v := a.GetGapVariation(); {
	case a == nil || a.GapVariation == nil:
	case v == 0:
		parts = append(parts, "at even intervals")
	default:
		parts = append(parts, fmt.Sprintf("gaps vary by %g", v))
	}
	if n := a.GetBatch(); n > 1 {
		parts = append(parts, fmt.Sprintf("%d at once", n))
	}
	var days []string
	for _, day := range a.GetWeekdays() {
		days = append(days, time.Weekday(int(day) % 7).String()[:3])
	}
	if len(days) > 0 {
		parts = append(parts, strings.Join(days, ", "))
	}
	if n := len(a.GetTimes()); n > 0 {
		parts = append(parts, counted(n, "listed time", "listed times"))
	}
	return strings.Join(parts, ", ")
}

// pastWords tells from what past a demand was taken.
func pastWords(past *bayholdv1.PastDemand) string {
	words := fmt.Sprintf("Taken from %s that began in the last %.2g weeks.", counted(int(past.GetJobs()), "job", "jobs"), past.GetWeeks())
	if past.GetFew() {
		words += fmt.Sprintf(" That is too few to tell much: chance alone leaves anything from %.2g to %.2g jobs a week open. Give what you expect by --demand.",
			past.GetLowPerWeek(), past.GetHighPerWeek())
	}
	return words
}
