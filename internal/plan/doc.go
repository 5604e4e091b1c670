// Package plan places steps in time and chooses who and what serves them.
//
// # What it answers
//
// A Problem holds steps, the arcs between them, the claims they have on named
// units (bays, people, tools) and their use of pools of identical things. Find
// gives one job's plans between the earliest finish and the fewest minutes in
// the bay, proved. Check says whether a job can start at a given minute, and if
// not, what is in the way; Unblock, what would have to give way. Explain tells
// how much sooner one more of something would make it. Arrange plans many jobs
// at once, Ripple repairs a plan after a change. Validate is the judge of every
// plan, written apart from all of them. The package is pure: no database, no
// clock of its own, no text for people.
//
// # One job: lower bounds and decisions
//
// Fix who serves what and which of two claims on a unit comes first. Every
// constraint that is left then says "this start is not before a growing function
// of that one": arcs with lags, joined steps, a crew's working time (the later a
// step starts, the later it ends), a hold that must lie in a gap of its unit, a
// limit on the time from first start to last end. Such constraints are closed
// under the componentwise minimum, so raising lower bounds until nothing moves
// (propagate.go) gives the one placement that is earliest in every step at once,
// or shows that there is none. While decisions are open, the bound of a step is
// the least over its crews, that of a hold the least over its units: a
// relaxation, which is mostly tight.
//
// The search (search.go, branching.go) asks at each node whether units can be
// given out at the placement of the bounds (assign.go). If so, it is the best
// plan below the node. If not, one conflict is branched on: a before b, b before
// a, or no unit in common; then single units and teams; for pools the pairs of a
// smallest overloaded set. The tie rule of assign.go prefers the tool whose
// calibration ends first but covers the hold, then the smallest gap, then the
// lowest ID. The fewest minutes at a finish, and the rest of the front, are the
// same search under a limit on the span (compress.go), which jumps over
// stretches where the whole job would slide rigidly. At the end leading steps of
// holds move right (tighten.go), so that nothing is held for longer than needed.
//
// Where a step can stand with a crew is a sorted list of segments in which the
// end is the start plus a constant (segments.go, gangs.go); pauses over closed
// hours, bookings in the way, expiry and unbroken steps are all in that list.
//
// # Many jobs
//
// A job is inserted as a block, all its holds or none, by the exact search with
// a small budget (inserter.go). Arrange takes a few jobs out of the best plan and
// puts them back in another order (Shaw 1998, large-neighbourhood search), two
// searches side by side that share their best at fixed counts, so that the
// answer depends on seed and budget only. Ripple frees in turn what is broken,
// what follows it, the whole job, one other job, and keeps what moves the fewest
// promises, then bookings, then minutes.
//
// # Steps and pools alone
//
// Without claims, releases and promises a problem looks the same from its end.
// Arrange then breeds lists of steps: serial schedule generation (Kelley 1963;
// axis.go, pools packed into machine words), two populations on the two axes
// that feed each other (Debels and Vanhoucke 2005) with the two-point crossover
// of Hartmann (1998), so that every child is also a justification pass (Valls,
// Ballestin and Quintanilla 2005), started half by serial and half by parallel
// generation with regret-based sampling (Drexl 1991; Kolisch 1996). Given time
// instead of a budget in schedules, lazy clause generation runs beside it
// (Ohrimenko, Stuckey and Codish 2009; Schutt, Feydy, Stuckey and Wallace 2011;
// learner.go), with the time-table propagator and one order for each pair of
// steps that cannot run together: it proves the best schedule, or finds one.
//
// # What is certain
//
// Proved and Complete are claims of proof: bounds from relaxations and searches
// that came to their end, never a budget that ran out. The tests compare Find,
// Check and the learner with searches of everything on small problems.
package plan
