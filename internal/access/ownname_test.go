package access

import (
	"testing"

	"bayhold/internal/fault"
)

func TestATechnicianActsInTheirOwnNameOnly(t *testing.T) {
	t.Parallel()
	ada := Caller{Site: "quay", User: "ada", Technician: "ada-l", Roles: []Role{Technician}}
	for name, c := range map[string]struct {
		caller     Caller
		technician string
		reason     string
	}{
		"themselves":                   {ada, "ada-l", ""},
		"somebody else":                {ada, "ben", "OWN_NAME"},
		"nobody":                       {ada, "", "OWN_NAME"},
		"tied to nobody":               {Caller{Site: "quay", User: "x", Roles: []Role{Technician}}, "ben", "NO_TECHNICIAN"},
		"tied to nobody, in no name":   {Caller{Site: "quay", User: "x", Roles: []Role{Technician}}, "", "NO_TECHNICIAN"},
		"a manager for another":        {Caller{Site: "quay", Roles: []Role{Manager}}, "ben", ""},
		"a manager who is one as well": {Caller{Site: "quay", Technician: "ada-l", Roles: []Role{Technician, Manager}}, "ben", ""},
		"an administrator for another": {Caller{Site: "quay", Roles: []Role{Administrator}}, "ben", ""},
		"no role":                      {Caller{Site: "quay", Technician: "ben"}, "ben", "ROLE"},
		"the server's own commands":    {Caller{User: "server"}, "ben", ""},
	} {
		err := OwnName(c.caller, c.technician)
		f := fault.Fault(err)
		switch {
		case c.reason == "" && err != nil:
			t.Errorf("%s: %v", name, err)
		case c.reason != "" && (f == nil || f.Kind != fault.Forbidden || f.Reason != c.reason):
			t.Errorf("%s: %v, want %s", name, err, c.reason)
		}
	}
}
