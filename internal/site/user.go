package site

import "time"

// Role is what a user does in a workshop: MANAGER, TECHNICIAN, ADMINISTRATOR.
type Role string

// User is somebody who may call.
type User struct {
	ID         string // slug, unique within the site
	Name       string
	Roles      []Role
	Technician string // slug of the technician who they are; empty for none
	Subject    string // of the client certificate that is theirs; empty for none
	// SubjectUsed is when that was last shown, to some five minutes; zero for never.
	SubjectUsed time.Time
	Disabled    time.Time // zero for one who may call
	Created     time.Time
}

// Token is what is known of a token: all but its text.
type Token struct {
	User     string
	Name     string // unique among all tokens that the user ever had
	Created  time.Time
	Expires  time.Time
	LastUsed time.Time // to some five minutes; zero for never
	Revoked  time.Time // zero for one that was not
}

// Disable turns a user away from now on, or lets them in again. Somebody who is
// disabled already stays so since when they were.
func (u *User) Disable(off bool, now time.Time) {
	switch {
	case !off:
		u.Disabled = time.Time{}
	case u.Disabled.IsZero():
		u.Disabled = now.UTC().Truncate(time.Microsecond)
	}
}
