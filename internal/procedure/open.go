package procedure

import (
	"cmp"
	"maps"
	"slices"

	"bayhold/internal/fault"
)

// Marginal is what a procedure would add to a job, against doing it alone.
type Marginal struct {
	Procedure string
	Version   int
	Title     string
	Added     Work       // on top of the job
	Alone     Work       // as a job of its own
	Saved     Work       // the difference; Longest is bay time
	Parts     []PartLine // what the job's parts list gains, without steps
	PartsOnce []PartLine // parts that it needs alone and the job renews anyway
	// BayFeatures are what the bay must have beyond the job's, sorted.
	BayFeatures []string
	// Refused says why it cannot be part of this job; nil if it can. Then
	// nothing but Procedure, Version, Title and Alone is set.
	Refused *fault.Error
}

// WhileOpen answers, for a job of some procedures, what every other issued
// procedure of its engine family would add if it were done now, while the
// engine is open. Those that save the most minutes of people come first, then
// bay time, then by id; those that cannot be merged come last, with the reason.
func (l Library) WhileOpen(ids []string) ([]Marginal, error) {
	job, err := l.Merge(ids)
	if err != nil {
		return nil, err
	}
	var all []Marginal
	for _, id := range slices.Sorted(maps.Keys(l.Procedures)) {
		p := l.Procedures[id]
		if p.State != Issued || p.Family != job.Family || slices.Contains(job.Procedures, id) {
			continue
		}
		all = append(all, l.marginal(job, p))
	}
	slices.SortStableFunc(all, func(a, b Marginal) int {
		return cmp.Or(
			-compareBool(a.Refused == nil, b.Refused == nil),
			-cmp.Compare(a.Saved.People, b.Saved.People),
			-cmp.Compare(a.Saved.Longest, b.Saved.Longest),
			cmp.Compare(a.Procedure, b.Procedure),
		)
	})
	return all, nil
}

// marginal compares a job with and without a procedure.
func (l Library) marginal(job Network, p Procedure) Marginal {
	m := Marginal{Procedure: p.ID, Version: p.Version, Title: p.Title}
	alone, err := l.Merge([]string{p.ID})
	if err != nil {
		m.Refused = fault.Fault(err)
		return m
	}
	m.Alone = alone.Work()
	both, err := l.Merge(append(slices.Clone(job.Procedures), p.ID))
	if err != nil {
		m.Refused = fault.Fault(err)
		return m
	}
	m.Added = both.Work().less(job.Work())
	m.Saved = m.Alone.less(m.Added)
	m.Parts = lessParts(both.Parts(), job.Parts())
	m.PartsOnce = lessParts(alone.Parts(), m.Parts)
	for _, f := range both.BayFeatures {
		if !slices.Contains(job.BayFeatures, f) {
			m.BayFeatures = append(m.BayFeatures, f)
		}
	}
	return m
}

// less is the difference of two amounts of work.
func (w Work) less(v Work) Work {
	w.Steps.Low -= v.Steps.Low
	w.Steps.Likely -= v.Steps.Likely
	w.Steps.High -= v.Steps.High
	w.People -= v.People
	w.Longest -= v.Longest
	return w
}
