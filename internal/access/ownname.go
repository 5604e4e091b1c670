package access

import "bayhold/internal/fault"

// OwnName is nil if the caller may act in the name of the technician with that
// slug: sign, record, draw a tool, be booked. Managers and administrators may
// act for anybody, and so may somebody without a site: the server's own
// commands. Whoever is only a technician acts in their own name, which is the
// technician that their user is tied to.
//
// Where a request may leave the technician out, put Caller.Technician there
// before asking; an empty technician is refused to whoever is only a technician.
func OwnName(c Caller, technician string) error {
	switch {
	case c.Site == "" || c.Has(Manager, Administrator):
		return nil
	case !c.Has(Technician):
		return fault.New(fault.Forbidden, "ROLE", "this is for technicians, managers and administrators: ask an administrator for the role")
	case c.Technician == "":
		return fault.New(fault.Forbidden, "NO_TECHNICIAN",
			"the user %s is tied to no technician, so nothing can be done in a technician's name: an administrator ties them with user change --technician", c.User)
	case technician != c.Technician:
		return fault.New(fault.Forbidden, "OWN_NAME",
			"a technician acts in their own name only, and %s is the technician %s: leave it to the other, or ask a manager", c.User, c.Technician)
	}
	return nil
}
