package cli

import (
	"fmt"
	"io"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// soon is how long before its end a token's user is reminded of it.
const soon = 14 * 24 * time.Hour

func roleWords(roles []bayholdv1.Role) string {
	words := make([]string, len(roles))
	for i, r := range roles {
		words[i] = strings.ToLower(enumWord(r.String(), "ROLE_"))
	}
	return strings.Join(words, ", ")
}

func (a *app) printUsers(w io.Writer, list []*bayholdv1.User) {
	if len(list) == 0 {
		a.none(w, "users")
		return
	}
	t := table{cols: []column{
		{title: "user"}, {title: "name", wrap: true}, {title: "roles", wrap: true},
		{title: "technician", drop: 2}, {title: "certificate", wrap: true, drop: 3}, {title: "state", drop: 1},
	}}
	for _, u := range list {
		state := ""
		if u.GetDisabled() {
			state = "disabled"
		}
		t.add(id(u.GetName()), u.GetDisplayName(), roleWords(u.GetRoles()), id(u.GetTechnician()), u.GetCertificateSubject(), state)
	}
	writeTable(w, t, a.width())
}

func (a *app) printUser(w io.Writer, c clock, u *bayholdv1.User) {
	writeTable(w, facts(userFacts(c, u)...), a.width())
}

func userFacts(c clock, u *bayholdv1.User) [][2]string {
	return [][2]string{
		{"User", id(u.GetName())},
		{"Name", u.GetDisplayName()},
		{"Roles", roleWords(u.GetRoles())},
		{"Technician", id(u.GetTechnician())},
		{"Certificate", u.GetCertificateSubject()},
		{"Certificate last shown", c.at(u.GetCertificateUseTime())},
		{"Disabled since", c.at(u.GetDisableTime())},
		{"Added", c.at(u.GetCreateTime())},
	}
}

func (a *app) printSelf(w io.Writer, c clock, me *bayholdv1.WhoAmIResponse) {
	rows := append([][2]string{{"Site", id(me.GetSite())}}, userFacts(c, me.GetUser())...)
	t := me.GetToken()
	if t == nil {
		writeTable(w, facts(append(rows, [2]string{"Shown", "a client certificate"})...), a.width())
		return
	}
	rows = append(rows, [2]string{"Token", id(t.GetName())}, [2]string{"Good until", c.at(t.GetExpireTime())})
	writeTable(w, facts(rows...), a.width())
	if t.GetExpireTime().AsTime().Sub(c.now) < soon {
		a.next(w, "the token ends soon; make another in time:", a.again("token", "make", "NAME"))
	}
}

func (a *app) printTokens(w io.Writer, c clock, list []*bayholdv1.Token) {
	if len(list) == 0 {
		a.none(w, "tokens")
		return
	}
	t := table{cols: []column{{title: "token"}, {title: "made", drop: 1}, {title: "good until"}, {title: "last used"}, {title: "state", wrap: true}}}
	for _, x := range list {
		used, state := c.at(x.GetLastUseTime()), "good"
		if used == "" {
			used = "never"
		}
		switch {
		case x.GetRevokeTime() != nil:
			state = "revoked " + c.at(x.GetRevokeTime())
		case !c.now.Before(x.GetExpireTime().AsTime()):
			state = "expired"
		}
		t.add(id(x.GetName()), c.at(x.GetCreateTime()), c.at(x.GetExpireTime()), used, state)
	}
	writeTable(w, t, a.width())
}

// printMadeToken shows the one thing that is never shown again.
func (a *app) printMadeToken(w io.Writer, c clock, made *bayholdv1.MakeTokenResponse) {
	t := made.GetToken()
	owner, _, _ := strings.Cut(t.GetName(), "/tokens/")
	owner = id(owner)
	if made.GetText() == "" {
		writeText(w, fmt.Sprintf("The token %s of %s was made before, and its text is not shown twice. If nobody has it, revoke it and make another.",
			id(t.GetName()), owner), a.width())
		a.next(w, "", a.again("token", "revoke", id(t.GetName()), "--user", owner))
		return
	}
	writeText(w, fmt.Sprintf("The token %s of %s is good until %s. It is shown this once:",
		id(t.GetName()), owner, c.at(t.GetExpireTime())), a.width())
	fmt.Fprintf(w, "\nexport BAYHOLD_TOKEN=%s\n\n", made.GetText())
	writeText(w, "Or put it into the config file that bayhold --help names, as \"token: ...\", readable by its user alone.", a.width())
}

// next says what comes next, and the command for it.
func (a *app) next(w io.Writer, why, command string) {
	fmt.Fprintln(w)
	if why != "" {
		writeText(w, "Next, "+why, a.width())
	}
	fmt.Fprintln(w, "  "+command)
}
