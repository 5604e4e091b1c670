package cli

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// knownSite is a site as it was when the server was last reached.
type knownSite struct {
	Name     string `json:"name"`
	TimeZone string `json:"timeZone"`
}

// sitesFile is where the sites of servers are remembered.
func (a *app) sitesFile() string {
	dir := a.outbox().Dir
	if dir == "" {
		return ""
	}
	return filepath.Join(dir, "sites.json")
}

// remembered reads the sites that are known, by server and site id; "" as the
// site is the only one of its server.
func (a *app) remembered() map[string]knownSite {
	out := map[string]knownSite{}
	if raw, err := os.ReadFile(a.sitesFile()); err == nil {
		_ = json.Unmarshal(raw, &out) // what cannot be read is not known
	}
	return out
}

// remember keeps what it takes to record without a connection. That it cannot
// be kept does not matter now.
func (a *app) remember(site *bayholdv1.Site) {
	file, known := a.sitesFile(), a.remembered()
	key := a.set.server + " " + a.set.site
	is := knownSite{Name: site.GetName(), TimeZone: site.GetTimeZone()}
	if file == "" || known[key] == is {
		return
	}
	known[key] = is
	raw, err := json.Marshal(known)
	if err != nil || os.MkdirAll(filepath.Dir(file), 0o700) != nil {
		return
	}
	fresh := file + ".new"
	if os.WriteFile(fresh, raw, 0o600) == nil {
		_ = os.Rename(fresh, file)
	}
}

// atOrAway finds the site as at does. Without a connection it is the one that
// the server had when it was last reached; what is recorded then waits in the
// journal.
func (a *app) atOrAway(ctx context.Context) (*place, error) {
	p, err := a.at(ctx)
	if err == nil {
		a.remember(p.site)
		return p, nil
	}
	if !unreachable(err) {
		return nil, err
	}
	is, known := a.remembered()[a.set.server+" "+a.set.site]
	if !known {
		return nil, err
	}
	zone, zoneErr := time.LoadLocation(is.TimeZone)
	if zoneErr != nil {
		zone = time.UTC
	}
	return &place{
		Conn: a.conn, site: &bayholdv1.Site{Name: is.Name, TimeZone: is.TimeZone},
		clock: clock{zone: zone, now: a.now()}, offline: err,
	}, nil
}
