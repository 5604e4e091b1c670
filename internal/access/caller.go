// Package access knows who calls, what their roles are, and how they prove it.
package access

import (
	"context"
	"slices"

	"bayhold/internal/site"
)

// Role is what a user does in a workshop. Its words are those of the contract.
type Role = site.Role

// The roles.
const (
	Manager       Role = "MANAGER"
	Technician    Role = "TECHNICIAN"
	Administrator Role = "ADMINISTRATOR"
)

// Roles are all of them, in the order in which they are shown.
var Roles = []Role{Manager, Technician, Administrator}

// Caller is who makes a call. The zero Caller may do nothing.
type Caller struct {
	// Site is the slug of the site whose user this is; empty for somebody who
	// has every site: the server's own commands, and tests.
	Site string
	// User names them, unique within the site.
	User string
	// Token is the name of the token that they showed; empty for none.
	Token string
	// Technician is the slug of the technician who they are; empty if none.
	Technician string
	// Roles are those they hold at Site.
	Roles []Role
}

// Has tells whether the caller holds one of the roles.
func (c Caller) Has(roles ...Role) bool {
	return slices.ContainsFunc(roles, func(r Role) bool { return slices.Contains(c.Roles, r) })
}

// Only tells whether the role is the one that the caller holds, and no other.
func (c Caller) Only(role Role) bool { return len(c.Roles) == 1 && c.Roles[0] == role }

type callerKey struct{}

// With gives a context that says who calls.
func With(ctx context.Context, c Caller) context.Context {
	return context.WithValue(ctx, callerKey{}, c)
}

// From tells who calls; the zero Caller if nobody said.
func From(ctx context.Context) Caller {
	c, _ := ctx.Value(callerKey{}).(Caller)
	return c
}
