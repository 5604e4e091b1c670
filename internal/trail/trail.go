// Package trail is the rule by which a site's events are chained, and what a
// break in the chain tells.
//
// Each event carries a seal: the SHA-256 (FIPS 180-4) of all its columns and of
// the seal before it. The first one follows 32 zero bytes. Whoever changes an
// event must seal it and all later ones anew; a checkpoint that is kept
// elsewhere then no longer lies on the chain.
//
// The database seals, in its trigger seal_event; this package checks, by code
// that shares nothing with it.
package trail

import (
	"crypto/sha256"
	"encoding/binary"
)

// Seal is what an event is sealed with.
type Seal [sha256.Size]byte

// Checkpoint is a place on a site's chain. The zero Checkpoint is its beginning.
type Checkpoint struct {
	Revision int64
	Seal     Seal
}

// Row is an event as it stands in the database. Its parts are kept in the form
// in which they are sealed, so that whatever somebody wrote there can be read.
type Row struct {
	Site     int64 // key of the site
	Revision int64
	At       int64 // microseconds since 2000-01-01 UTC, as PostgreSQL counts
	Actor    string
	Token    string
	Method   string
	Kind     string
	Subject  string
	Touched  []string
	Request  [16]byte
	Details  string // JSON as PostgreSQL writes it
	Seal     Seal
	// Odd says that the row holds what cannot have been sealed: a NULL, or a
	// list of another shape.
	Odd bool
}

// label keeps these hashes apart from any others, and names the encoding.
const label = "bayhold event 1"

// After is the seal that the row must have after the one given.
func (r Row) After(before Seal) Seal {
	b := make([]byte, 0, 256+len(r.Details))
	b = append(b, label...)
	b = append(b, before[:]...)
	for _, n := range []int64{r.Site, r.Revision, r.At} {
		b = binary.BigEndian.AppendUint64(b, uint64(n))
	}
	for _, t := range []string{r.Actor, r.Token, r.Method, r.Kind, r.Subject} {
		b = appendText(b, t)
	}
	b = binary.BigEndian.AppendUint32(b, uint32(len(r.Touched)))
	for _, t := range r.Touched {
		b = appendText(b, t)
	}
	b = append(b, r.Request[:]...)
	return sha256.Sum256(appendText(b, r.Details))
}

// sound tells whether the row carries the seal that it must have.
func (r Row) sound(before Seal) bool { return !r.Odd && r.After(before) == r.Seal }

func appendText(b []byte, t string) []byte {
	return append(binary.BigEndian.AppendUint32(b, uint32(len(t))), t...)
}
