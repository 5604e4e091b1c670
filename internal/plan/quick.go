package plan

import "context"

// Quick places one job as Arrange places it among others: by the search of Find
// with a small budget, for the earliest finish and then for few minutes in the
// bay. It proves nothing and gives no reasons: it is for those who place
// thousands of jobs. Nil means that no place was found before the horizon. nodes
// is the budget; 0 is that of Arrange. The error is a fault of kind Invalid for an
// unsound problem.
func Quick(ctx context.Context, p *Problem, nodes int64) (*Plan, error) {
	order, err := p.prepare()
	if err != nil {
		return nil, err
	}
	if nodes <= 0 {
		nodes = insertNodes
	}
	se := newSearcher(ctx, compile(p, order), nodes)
	lim := limits{deadline: p.Horizon, span: Never}
	best, _ := se.earliest(lim)
	if best == nil {
		return nil, nil
	}
	se.nodes, se.out = max(1, nodes*shortenNodes/insertNodes), false
	lim.deadline, lim.span = best.Finish, best.Minutes-1
	if short := se.shortest(lim); short != nil {
		best = short
	}
	se.tighten(best, -1)
	return best, nil
}
