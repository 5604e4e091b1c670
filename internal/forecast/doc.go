// Package forecast says what is likely: when a job will be handed back, how
// sure a promise is, how long steps really take, and what limits the workshop.
//
// # Simulation
//
// Simulate takes a placed network, the steps of one job or of all, and plays it
// many times with durations drawn from each step's Spread. What the plan has
// decided stays: the arcs, which units serve which steps, and the order in which
// the holds of a unit follow one another. A step starts as soon as all of that
// lets it, in the working time of its people, and never before its release.
// Percentiles are read off the simulated hand-backs; they are never sums of the
// steps' percentiles, which would be far too late (the sum of 90 % values is not
// the 90 % value of the sum).
//
// With Options.TakeOver the order stays and who does a step does not: whoever has
// the skills and is free sooner takes over. What lies between the two answers is
// what it costs that a vehicle waits for its own technician.
//
// The rules of the play, where a plan leaves it open:
//   - An unbroken step begins where its planned minutes fit into the shift; once
//     begun it goes on to its end, past the shift if it must.
//   - A step joined to the one before it follows at once if its people and tools
//     are there, else as soon as they are.
//   - While one of its people is absent, those with the same skills take over. Nobody
//     moves a bay or a tool: the vehicle stands where it stands.
//   - While a bay or a tool is shut, the attended steps that need it pause.
//   - What is finished is a fact; what is begun is drawn from the durations that
//     are longer than what it has taken so far.
//
// Draws are keyed by seed and run, so that answers do not depend on how many
// goroutines share the runs.
//
// # Estimates
//
// A step with one figure instead of three spreads as usual (Usual). Learn blends a
// step's own records with the author's three points by
// credibility, on the logarithms of minutes. Review holds promises against what
// was kept.
//
// # Study
//
// Study runs a demand mix through the workshop for weeks, books with the planner
// that books real jobs, lets durations come out as they may, and compares
// variants of the workshop on common random numbers. Demand is Poisson unless
// Asking says otherwise: season and trend are not modelled.
//
// The package is pure. Distributions and statistics are gonum's.
package forecast
