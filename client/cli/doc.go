// Package cli is bayhold's command line: one file a noun, the printers apart
// in print_*.go. Run is the whole of it, with every dependency on the outside
// handed in, so that tests and the server's demo can call it like a function.
package cli
