package site

import "time"

// Link is a secret address under which a board or a calendar can be read.
type Link struct {
	ID    int64
	Title string // for people: where it hangs, who has it
	// Calendar is the bay, technician or tool whose bookings it tells; nil: it is
	// the board of the whole site.
	Calendar  *LinkTarget
	MadeAt    time.Time
	MadeBy    string    // user
	RevokedAt time.Time // zero while it can be used
}

// LinkTarget is the resource whose calendar a link tells.
type LinkTarget struct {
	Kind Kind
	ID   string
}
