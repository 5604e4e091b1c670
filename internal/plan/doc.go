// Package plan places steps in time and chooses who and what serves them.
//
// A Problem holds steps, the arcs between them, the claims they have on named
// units (bays, people, tools) and their use of pools. Find gives the plans of
// one job between earliest finish and fewest minutes in the bay, proved; Check
// says whether a job can start at a given minute, and if not, why. Validate is
// the judge of every plan, written apart from the search.
//
// The package is pure: no database, no clock, no text for people.
package plan
