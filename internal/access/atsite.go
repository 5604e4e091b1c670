package access

import "bayhold/internal/fault"

// AtSite is nil if the caller may ask about and change things of a site: their
// own, or any if they belong to none. It says nothing of whether there is such
// a site.
func AtSite(c Caller, site string) error {
	if c.Site == "" || c.Site == site {
		return nil
	}
	return fault.New(fault.Forbidden, "OTHER_SITE",
		"you are %s of the site %s, and this is about another: leave --site out, or use a token of that site", c.User, c.Site)
}

// OwnUser is nil if the caller may deal with the tokens of a user: their own,
// or anybody's if they are an administrator.
func OwnUser(c Caller, user string) error {
	if c.Site == "" || c.Has(Administrator) || c.User == user {
		return nil
	}
	return fault.New(fault.Forbidden, "OTHER_USER",
		"you are %s, and the tokens of another are for themselves and for an administrator: ask one", c.User)
}
