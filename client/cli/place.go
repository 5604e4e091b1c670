package cli

import (
	"context"
	"strings"
	"time"

	"google.golang.org/grpc/codes"

	"bayhold/client/dial"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// place is the site that a command is about, with the connection to ask.
type place struct {
	*dial.Conn
	site  *bayholdv1.Site
	clock clock
	// offline says why the server was not reached; nil if it was.
	offline error
}

// at finds the site: the one that was named, or the only one there is.
func (a *app) at(ctx context.Context) (*place, error) {
	if a.here != nil {
		return a.here, nil
	}
	conn, err := a.dial()
	if err != nil {
		return nil, err
	}
	site, err := a.chooseSite(ctx, conn)
	if err != nil {
		return nil, err
	}
	zone, err := time.LoadLocation(site.GetTimeZone())
	if err != nil {
		return nil, local(codes.Unknown, "UNKNOWN_ZONE",
			"this machine does not know the time zone %q of %s", site.GetTimeZone(), site.GetName())
	}
	a.here = &place{Conn: conn, site: site, clock: clock{zone: zone, now: a.now(), machine: a.output() == "csv"}}
	return a.here, nil
}

// chooseSite gets the named site, or the only one.
func (a *app) chooseSite(ctx context.Context, conn *dial.Conn) (*bayholdv1.Site, error) {
	if a.set.site != "" {
		name, err := siteName(a.set.site)
		if err != nil {
			return nil, err
		}
		got, err := conn.Sites.GetSite(ctx, &bayholdv1.GetSiteRequest{Name: name})
		if err != nil {
			a.noun = "site" // that is what was not found
		}
		return got.GetSite(), err
	}
	list, err := conn.Sites.ListSites(ctx, &bayholdv1.ListSitesRequest{PageSize: 20})
	if err != nil {
		return nil, err
	}
	switch sites := list.GetSites(); len(sites) {
	case 0:
		return nil, local(codes.FailedPrecondition, "NO_SITE", "the server has no site yet").
			try("%s", a.again("import", "FILE..."))
	case 1:
		return sites[0], nil
	default:
		ids := make([]string, len(sites))
		for i, s := range sites {
			ids[i] = id(s.GetName())
		}
		return nil, usage("which site? the server has %s", strings.Join(ids, ", ")).
			try("--site %s or BAYHOLD_SITE", ids[0])
	}
}

// The collections that names are made of.
const (
	bays         = "bays"
	technicians  = "technicians"
	tools        = "tools"
	toolTypes    = "toolTypes"
	families     = "engineFamilies"
	preparations = "preparations"
	procedures   = "procedures"
	jobs         = "jobs"
	bookings     = "bookings"
	users        = "users"
)

// siteName gives the full name of a site from its id or name.
func siteName(word string) (string, error) {
	bare := strings.TrimPrefix(word, "sites/")
	if bare == "" || strings.Contains(bare, "/") {
		return "", usage("%q is no site; give its id", word)
	}
	return "sites/" + bare, nil
}

// name gives the full name of a thing of this site from its id, from
// "tools/LK-01" or from the full name. White space around it, which a hand
// scanner may add, does not count; nor does the case of an asset tag, which is
// in capitals.
func (p *place) name(collection, word string) (string, error) {
	word = strings.TrimSpace(word)
	rest := word
	if strings.HasPrefix(word, "sites/") {
		inside, ok := strings.CutPrefix(word, p.site.GetName()+"/")
		if !ok {
			return "", usage("%q does not belong to %s", word, p.site.GetName())
		}
		rest = inside
	}
	bare := strings.TrimPrefix(rest, collection+"/")
	if bare == "" || strings.Contains(bare, "/") {
		return "", usage("%q is no name in %s; give an id, or %s/%s/ID", word, collection, p.site.GetName(), collection)
	}
	if collection == tools {
		bare = strings.ToUpper(bare)
	}
	return p.site.GetName() + "/" + collection + "/" + bare, nil
}

// names is name for several words.
func (p *place) names(collection string, words []string) ([]string, error) {
	out := make([]string, 0, len(words))
	for _, w := range words {
		n, err := p.name(collection, w)
		if err != nil {
			return nil, err
		}
		out = append(out, n)
	}
	return out, nil
}

// maybeName is name for a word that may be empty.
func (p *place) maybeName(collection, word string) (string, error) {
	if word == "" {
		return "", nil
	}
	return p.name(collection, word)
}

// nameField is a field to be filled with the name of what somebody typed.
type nameField struct {
	field            *string
	collection, word string
}

// maybeNames fills each field as maybeName does.
func (p *place) maybeNames(all ...nameField) (err error) {
	for _, f := range all {
		if *f.field, err = p.maybeName(f.collection, f.word); err != nil {
			return err
		}
	}
	return nil
}

// id gives the last part of a name: what people call the thing.
func id(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }

// ids gives the ids of several names as one text.
func ids(names []string) string { return strings.Join(bare(names), ", ") }

// bare gives the ids of several names.
func bare(names []string) []string {
	out := make([]string, len(names))
	for i, n := range names {
		out[i] = id(n)
	}
	return out
}

// lines gives the ids of several names, one a line.
func lines(names []string) string { return strings.ReplaceAll(ids(names), ", ", "\n") }

// collection gives the part of a name that says what sort of thing it names.
func collection(name string) string {
	parts := strings.Split(name, "/")
	if len(parts) < 2 {
		return ""
	}
	return parts[len(parts)-2]
}

// when reads a time given to a flag or argument, and remembers how it was read.
func (a *app) when(c clock, what, text string, e edge) (time.Time, error) {
	r, err := c.read(text, e)
	if err != nil {
		return time.Time{}, usage("%s: %s", what, err)
	}
	if r.note != "" {
		a.note("%s", r.note)
	}
	return r.at, nil
}

// maybeWhen is when for a text that may be empty; it then gives orElse.
func (a *app) maybeWhen(c clock, what, text string, e edge, orElse time.Time) (time.Time, error) {
	if text == "" {
		return orElse, nil
	}
	return a.when(c, what, text, e)
}

// period reads two times that make a range.
func (a *app) period(c clock, from, until string) (*bayholdv1.TimeRange, error) {
	start, err := a.when(c, "from", from, dayStart)
	if err != nil {
		return nil, err
	}
	end, err := a.when(c.since(start), "until", until, dayEnd)
	if err != nil {
		return nil, err
	}
	if !start.Before(end) {
		return nil, usage("the time ends at %s, which is not after its start, %s", c.full(end), c.full(start))
	}
	return &bayholdv1.TimeRange{Start: stamp(start), End: stamp(end)}, nil
}
