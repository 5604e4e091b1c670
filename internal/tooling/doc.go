// Package tooling is the rules of the tool store: whether a tool may be handed
// out and until when, what a count of its pieces says, how much of a booking a
// return frees, and how long a late tool is reckoned to be away. Pure: no
// database, no clock.
package tooling
