package workshop

import (
	"context"
	"fmt"
	"runtime"
	"strings"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/forecast"
	"bayhold/internal/hours"
	"bayhold/internal/plan"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// Away is a resource that cannot be had for some of the weeks that count.
type Away struct {
	Ref      Ref
	FromWeek int // from 1
	Weeks    int
}

// StudyVariant is a change of the workshop to be compared.
type StudyVariant struct {
	Name    string // empty: made from the change
	OneMore []Ref
	Longer  int // minutes at the end of each day
	Away    []Away
	Cost    float64
}

// StudyQuestion asks for a study; zero values are filled in.
type StudyQuestion struct {
	Demand       []Demand // none: what was booked in the past
	PastWeeks    int
	Scale        float64
	Weeks        int
	Replications int
	Seed         uint64
	Variants     []StudyVariant
	Waiting      bool // vehicles are left when the job is asked for
}

// Bounds of a study.
const (
	usualWeeks        = 26
	usualReplications = 40
	maxStudyWeeks     = 52
	maxPastWeeks      = 104
	maxDemand         = 100
	maxLonger         = 8 * 60
)

func (q *StudyQuestion) check() error {
	var fs fault.Fields
	if q.PastWeeks == 0 {
		q.PastWeeks = usualWeeks
	}
	if q.Weeks == 0 {
		q.Weeks = usualWeeks
	}
	if q.Replications == 0 {
		q.Replications = usualReplications
	}
	if q.Scale == 0 {
		q.Scale = 1
	}
	q.checkDemand(&fs)
	if q.PastWeeks < 1 || q.PastWeeks > maxPastWeeks {
		fs.Add("past_weeks", "must be 1 to %d", maxPastWeeks)
	}
	if q.Weeks < 1 || q.Weeks > maxStudyWeeks {
		fs.Add("weeks", "must be 1 to %d", maxStudyWeeks)
	}
	if q.Replications < 2 || q.Replications > forecast.MaxReplications {
		fs.Add("replications", "must be 2 to %d: an interval needs two", forecast.MaxReplications)
	}
	if !(q.Scale > 0 && q.Scale <= 100) {
		fs.Add("scale", "must be above 0 and at most 100")
	}
	if len(q.Variants) > forecast.MaxVariants {
		fs.Add("variants", "must be %d at the most", forecast.MaxVariants)
	}
	for i := range q.Variants {
		q.Variants[i].check(&fs, fmt.Sprintf("variants[%d]", i), q.Weeks)
	}
	return fs.Err("STUDY", "the study cannot be run")
}

func (v *StudyVariant) check(fs *fault.Fields, path string, weeks int) {
	checkText(fs, path+".display_name", v.Name, false)
	if len(v.OneMore) == 0 && v.Longer == 0 && len(v.Away) == 0 {
		fs.Add(path, "changes nothing: give one_more, longer_minutes or away")
	}
	if v.Longer < 0 || v.Longer > maxLonger {
		fs.Add(path+".longer_minutes", "must be 0 to %d", maxLonger)
	}
	if !(v.Cost >= 0 && v.Cost <= 1e12) {
		fs.Add(path+".cost", "must not be negative")
	}
	for k, a := range v.Away {
		if a.FromWeek < 1 || a.Weeks < 1 || a.FromWeek+a.Weeks-1 > weeks {
			fs.Add(fmt.Sprintf("%s.away[%d]", path, k), "must lie within the weeks 1 to %d", weeks)
		}
	}
	if v.Name == "" {
		v.Name = v.words()
	}
}

// words says what a variant changes.
func (v *StudyVariant) words() string {
	var parts []string
	for _, r := range v.OneMore {
		parts = append(parts, "one more like "+r.ID)
	}
	if v.Longer > 0 {
		parts = append(parts, fmt.Sprintf("%d min longer a day", v.Longer))
	}
	for _, a := range v.Away {
		parts = append(parts, fmt.Sprintf("%s away in week %d", a.Ref.ID, a.FromWeek))
		if a.Weeks > 1 {
			parts[len(parts)-1] = fmt.Sprintf("%s away in weeks %d to %d", a.Ref.ID, a.FromWeek, a.FromWeek+a.Weeks-1)
		}
	}
	return strings.Join(parts, ", ")
}

// StudyAnswer is the outcome of a study.
type StudyAnswer struct {
	*forecast.Study
	Demand []Demand
	Past   *PastDemand    // from which the demand was taken; nil if it was given
	Refs   map[string]Ref // of the resources, by the id in the study
}

// Study runs a demand through the site's calendars, bays, people and tools as
// they stand, without the jobs that are booked, and compares variants. tell is
// called with the runs done and in all. Exhausted if another study is running.
func (w *Workshop) Study(ctx context.Context, slug string, q StudyQuestion, tell func(done, of int)) (StudyAnswer, error) {
	if err := q.check(); err != nil {
		return StudyAnswer{}, err
	}
	s, err := read(ctx, w, slug, func(ctx context.Context, r store.Reader) (*studySite, error) {
		return w.setStudy(ctx, r, q)
	})
	if err != nil {
		return StudyAnswer{}, err
	}
	select {
	case studying <- struct{}{}:
		defer func() { <-studying }()
	default:
		// Waiting would keep a planner's place from somebody at the counter.
		return StudyAnswer{}, fault.New(fault.Exhausted, "STUDY_RUNS", "another study is running: ask again when it is done")
	}
	o := forecast.StudyOptions{
		Weeks: q.Weeks, Replications: q.Replications, Seed: q.Seed, Workers: runtime.GOMAXPROCS(0), Arrival: forecast.Appointed, Progress: tell,
	}
	if q.Waiting {
		o.Arrival = forecast.Waiting
	}
	study, err := forecast.Run(ctx, s.shop, s.works, s.variants, o)
	return StudyAnswer{Study: study, Demand: s.demand, Past: s.past, Refs: s.names}, err
}

// studying holds the one study that runs in this process: it may take every core
// for a minute, and planners at the counter must not queue behind two of them.
var studying = make(chan struct{}, 1)

// studySite is a site put to a study.
type studySite struct {
	shop     forecast.Workshop
	demand   []Demand
	past     *PastDemand
	works    []forecast.Work
	variants []forecast.Variant
	names    map[string]Ref
}

// setStudy reads the site from this week's Monday on, and what is asked of it.
func (w *Workshop) setStudy(ctx context.Context, r store.Reader, q StudyQuestion) (*studySite, error) {
	s := &studySite{names: map[string]Ref{}}
	if len(q.Demand) == 0 {
		var err error
		if q.Demand, s.past, err = w.pastDemand(ctx, r, q.PastWeeks); err != nil {
			return nil, err
		}
	}
	y, err := w.studyYard(ctx, r, q.Weeks)
	if err != nil {
		return nil, err
	}
	steps := map[string]procedure.Step{}
	var puzzles []*puzzle
	for i, d := range q.Demand {
		refs := make([]site.ProcedureRef, 0, len(d.Procedures))
		for _, id := range d.Procedures {
			refs = append(refs, site.ProcedureRef{ID: id})
		}
		merged, err := merge(ctx, r, refs)
		if err != nil {
			return nil, err
		}
		z, err := newPuzzle(y, merged.network, "", nil)
		if err != nil {
			return nil, err
		}
		for c, cl := range z.problem.Claims {
			if len(cl.Eligible) < int(cl.Count) {
				return nil, fault.New(fault.Precondition, "STUDY_NO_RESOURCE", "%s can never be done: the site has not %s", strings.Join(d.Procedures, " with "), z.claims[c].need)
			}
		}
		for _, n := range merged.network.Steps {
			steps[n.ID] = n.Step
		}
		puzzles = append(puzzles, z)
		d.PerWeek *= q.Scale
		q.Demand[i] = d
	}
	learned, err := w.paceOf(ctx, r, steps, w.Now().Add(-recordsFor))
	if err != nil {
		return nil, err
	}
	again := roundOf(q.Demand, y.zone)
	for i, z := range puzzles {
		d := &q.Demand[i]
		work := workOf(z, *d, learned)
		work.Asking = d.asking(y, q.Weeks, again)
		s.works = append(s.works, work)
	}
	s.demand = q.Demand
	s.furnish(y)
	return s, s.change(y, q.Variants)
}

// studyYard lays out the site without bookings over the time of a study.
func (w *Workshop) studyYard(ctx context.Context, r store.Reader, weeks int) (*yard, error) {
	st, err := r.Site(ctx)
	if err != nil {
		return nil, err
	}
	zone, err := time.LoadLocation(st.TimeZone)
	if err != nil {
		return nil, fault.New(fault.Precondition, "TIME_ZONE", "the site's time zone %q is not known to this machine", st.TimeZone).Because(err)
	}
	from := weekOf(w.Now(), zone).Start.UTC()
	to := from.Add(time.Duration(forecast.StudyWeeks(weeks)) * 7 * 24 * time.Hour)
	state, err := r.State(ctx, w.Now(), hours.Range{Start: from, End: to}, nil)
	if err != nil {
		return nil, err
	}
	state.Bookings = nil
	return newYard(state, from, to)
}

// furnish gives a study the units. Calibrations are taken to be renewed in time.
func (s *studySite) furnish(y *yard) {
	kinds := map[site.Kind]forecast.UnitKind{site.KindBay: forecast.Bay, site.KindTechnician: forecast.Person, site.KindTool: forecast.Tool}
	for i, u := range y.units {
		u.Busy, u.Expiry = nil, plan.Never
		s.shop.Units = append(s.shop.Units, u)
		s.shop.Kinds = append(s.shop.Kinds, kinds[y.refs[i].Kind])
		s.names[u.ID] = y.refs[i]
	}
}

// workOf puts a merged job to a study.
func workOf(z *puzzle, d Demand, p pace) forecast.Work {
	out := forecast.Work{
		Name: strings.Join(d.Procedures, " with "), PerWeek: d.PerWeek,
		Steps: z.problem.Steps, Arcs: z.problem.Arcs, Claims: z.problem.Claims,
	}
	for _, n := range z.network.Steps {
		spread, _ := p.spread(n.ID, n.Step)
		out.Spreads = append(out.Spreads, spread)
	}
	return out
}

// change reads the variants.
func (s *studySite) change(y *yard, list []StudyVariant) error {
	unit := map[Ref]int32{}
	for i, ref := range y.refs {
		unit[ref] = int32(i)
	}
	find := func(ref Ref) (int32, error) {
		u, ok := unit[ref]
		if !ok {
			return 0, fault.New(fault.NotFound, "NOT_FOUND", "the site has no %s %q", strings.ToLower(string(ref.Kind)), ref.ID)
		}
		return u, nil
	}
	const week = plan.Time(7 * 24 * 60)
	for _, v := range list {
		out := forecast.Variant{Name: v.Name, Cost: v.Cost, Change: forecast.Change{Longer: plan.Time(v.Longer)}}
		for _, ref := range v.OneMore {
			u, err := find(ref)
			if err != nil {
				return err
			}
			out.Change.More = append(out.Change.More, u)
			more := ref
			more.ID += "+1"
			s.names[more.ID] = more
		}
		for _, a := range v.Away {
			u, err := find(a.Ref)
			if err != nil {
				return err
			}
			out.Change.Away = append(out.Change.Away, forecast.Absence{
				Unit: u, During: plan.Window{Start: plan.Time(a.FromWeek-1) * week, End: plan.Time(a.FromWeek-1+a.Weeks) * week},
			})
		}
		s.variants = append(s.variants, out)
	}
	return nil
}
