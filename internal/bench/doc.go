// Package bench measures a server process on a PostgreSQL of its own, with the
// same durability as a workshop's, and prints a table:
//
//	go test ./internal/bench -v -run '^$' -bench . -benchtime 1x -timeout 0 -args -rows 1000,10000,100000,1000000 -sites 1,100,10000 -svg DIR
//
// Figures are good for their ratios within one run, and for the machine that is
// printed with them.
package bench
