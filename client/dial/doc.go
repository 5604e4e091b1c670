// Package dial connects the command-line client to a bayhold server: address,
// TLS, token, deadlines, retries and request ids, and the journal that keeps a
// request whose outcome nobody knows.
package dial
