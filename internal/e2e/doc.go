// Package e2e tests the house from outside: real server and client processes
// against a real PostgreSQL.
package e2e
