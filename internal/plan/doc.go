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
// at once, Ripple repairs a plan after a change, MakeRoom moves a job for another.
// Validate is the judge of every plan, written apart from all of them. The package
// is pure: no database, no clock of its own, no text for people.
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
// A point of the front that is hard to prove may take a sixteenth of the budget.
//
// Where a step can stand with a crew is a sorted list of segments in which the
// end is the start plus a constant (segments.go, gangs.go); pauses over closed
// hours, bookings in the way, expiry and unbroken steps are all in that list.
//
// # Many jobs: lists of steps
//
// Arrange breeds lists of steps (breed.go, evolve.go): a list is built into a
// schedule by serial generation (Kelley 1963), each step at its earliest time in
// the list's order; parents are taken up in the order of their own schedules and
// crossed at two points (Hartmann 1998), with the windows handed down in which
// the pools are used best (after the peaks of Valls, Ballestin and Quintanilla
// 2008). The fewer schedules the budget has, the more the better ones are preferred
// as parents. The first lists are drawn with regret-based sampling (Drexl 1991;
// Kolisch 1996), half by serial and half by parallel generation, or job by job as
// promised; where jobs share a list, one of them at a time moves in it too. One breeder serves every problem; what differs is the decoder.
//
// With claims it is the booker (booker.go): crews, units of holds, pools,
// calendars. A hold takes its units with its first step, open-ended, and is
// closed by its last, so that steps of several jobs can take turns on what they
// share; who would keep a hold past the next booking of its unit begins anew in a
// gap that reaches that far, and who waits in a ring goes last. In turns with
// breeding runs large-neighbourhood search (Shaw 1998; arranger.go, joint.go): a
// job that is later than it need be and a few that want the same rare units are
// taken out of the best plan and put back by the exact search with a small budget,
// one after the other or together. Its turns grow while it finds something. Each
// layer takes up what the other finds (herd.go), workers share their best at fixed counts, and so the
// answer depends on seed and budget only. At the end jobs change places, times
// kept, to save moves of tools (moves.go). Lateness is bounded from below by
// what each job could have alone, and two and two.
//
// Without claims, releases and promises a problem looks the same from its end,
// and the decoder packs the pools into machine words (axis.go). There are two
// populations then, on the two axes, that feed each other (Debels and Vanhoucke
// 2005), so that every child is also a justification pass (Valls, Ballestin and
// Quintanilla 2005) and counts as one schedule. Given time instead of a budget,
// lazy clause generation runs beside it (Ohrimenko, Stuckey and Codish 2009;
// Schutt, Feydy, Stuckey and Wallace 2011; learner.go), with the time-table
// propagator and one order for each pair of steps that cannot run together. What
// is apart for claims: no second axis, and the branch and bound above in the
// learner's place.
//
// Ripple frees in turn what is broken, what follows it, the whole job, one other
// job, and keeps what moves the fewest promises, then bookings, then minutes.
// MakeRoom asks what a job would win if one of the others gave way.
//
// # What is certain
//
// Proved and Complete are claims of proof: bounds from relaxations and searches
// that came to their end, never a budget that ran out. The tests compare Find,
// Check and the learner with searches of everything on small problems, and hold
// every list that the booker builds against Validate.
package plan
