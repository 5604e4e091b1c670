package rpc

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
)

// Collections of a site in resource names, in the manner of AIP-122.
const (
	bays           = "bays"
	technicians    = "technicians"
	tools          = "tools"
	toolTypes      = "toolTypes"
	engineFamilies = "engineFamilies"
	preparations   = "preparations"
	procedures     = "procedures"
	jobs           = "jobs"
	bookings       = "bookings"
	certificates   = "certificates"
	users          = "users"
	tokens         = "tokens"
)

// segment is what an id in a name may look like. Whether there is such a thing
// is for the site to say; this only keeps names apart from anything else.
var segment = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,62}$`)

// within makes the full name of a thing of a site.
func within(site, relative string) string { return "sites/" + site + "/" + relative }

func nameOf(site, collection, id string) string {
	return within(site, collection+"/"+id)
}

func badName(field, name, want string) error {
	var fs fault.Fields
	fs.Add(field, "%q is no name of the form %s", shorten(name), want)
	return fs.Err("NAME", "a name cannot be read")
}

// shorten keeps a caller's text in a message to a size that can be read.
func shorten(s string) string {
	if len(s) > 80 {
		return strings.ToValidUTF8(s[:80], "") + "..."
	}
	return strings.ToValidUTF8(s, "?")
}

// siteName reads "sites/{site}".
func siteName(field, name string) (string, error) {
	id, ok := strings.CutPrefix(name, "sites/")
	if !ok || !segment.MatchString(id) {
		return "", badName(field, name, "sites/{site}")
	}
	return id, nil
}

// parse reads "sites/{site}/{collection}/{id}".
func parse(field, name, collection string) (siteID, id string, err error) {
	parts := strings.Split(name, "/")
	if len(parts) != 4 || parts[0] != "sites" || parts[2] != collection ||
		!segment.MatchString(parts[1]) || !segment.MatchString(parts[3]) {
		return "", "", badName(field, name, fmt.Sprintf("sites/{site}/%s/{id}", collection))
	}
	return parts[1], parts[3], nil
}

// parseWithin reads the name of a thing that must belong to a given site.
func parseWithin(field, name, collection, siteID string) (string, error) {
	of, id, err := parse(field, name, collection)
	if err != nil {
		return "", err
	}
	if of != siteID {
		var fs fault.Fields
		fs.Add(field, "%q belongs to another site than %q", shorten(name), siteID)
		return "", fs.Err("SITE", "all names must be of one site")
	}
	return id, nil
}

// parseNumbered reads the name of a thing whose id is a number.
func parseNumbered(field, name, collection string) (siteID string, id int64, err error) {
	siteID, text, err := parse(field, name, collection)
	if err != nil {
		return "", 0, err
	}
	id, err = strconv.ParseInt(text, 10, 64)
	if err != nil || id <= 0 {
		return "", 0, badName(field, name, fmt.Sprintf("sites/{site}/%s/{number}", collection))
	}
	return siteID, id, nil
}

var collectionOf = map[site.Kind]string{
	site.KindBay: bays, site.KindTechnician: technicians, site.KindTool: tools,
}

// parseRef reads the name of a bay, technician or tool of a given site.
func parseRef(field, name, siteID string) (workshop.Ref, error) {
	for kind, collection := range collectionOf {
		if strings.Contains(name, "/"+collection+"/") {
			id, err := parseWithin(field, name, collection, siteID)
			return workshop.Ref{Kind: kind, ID: id}, err
		}
	}
	return workshop.Ref{}, badName(field, name, "sites/{site}/bays/{id}, .../technicians/{id} or .../tools/{id}")
}

func refName(siteID string, ref workshop.Ref) string {
	return nameOf(siteID, collectionOf[ref.Kind], ref.ID)
}

func numbered(siteID, collection string, id int64) string {
	return nameOf(siteID, collection, strconv.FormatInt(id, 10))
}

// namesOf makes names of ids, and idsOf ids of names.
func namesOf(siteID, collection string, ids []string) []string {
	out := make([]string, 0, len(ids))
	for _, id := range ids {
		out = append(out, nameOf(siteID, collection, id))
	}
	return out
}

func idsOf(field string, names []string, collection, siteID string) ([]string, error) {
	out := make([]string, 0, len(names))
	for i, name := range names {
		id, err := parseWithin(fmt.Sprintf("%s[%d]", field, i), name, collection, siteID)
		if err != nil {
			return nil, err
		}
		out = append(out, id)
	}
	return out, nil
}
