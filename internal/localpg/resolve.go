package localpg

import "context"

// Found is a PostgreSQL to work with.
type Found struct {
	// URL is a connection string for pgx, of the private PostgreSQL as the owner
	// of the database. It may carry a password: not for logs.
	URL string
	// ServerURL is the same for a server to work with: as ServerRole on the
	// private PostgreSQL that this program runs, else no other than URL.
	ServerURL string
	// Private is the server that was started for it; nil for somebody else's.
	Private *Server
	// Guest says that it is another bayhold program's private server.
	Guest bool
}

// Stop ends the private server; there is nothing to do for any other.
func (f Found) Stop(ctx context.Context) error {
	if f.Private == nil {
		return nil
	}
	return f.Private.Stop(ctx)
}

// Resolve answers with the first of: the address given by flag, the one in
// DATABASE_URL, a private PostgreSQL started with o.
func Resolve(ctx context.Context, flag string, getenv func(string) string, o Options) (Found, error) {
	if flag != "" {
		return Found{URL: flag, ServerURL: flag}, nil
	}
	if u := getenv("DATABASE_URL"); u != "" {
		return Found{URL: u, ServerURL: u}, nil
	}
	s, err := Start(ctx, o)
	if err != nil {
		return Found{}, err
	}
	return Found{URL: s.URL(), ServerURL: s.ServerURL(), Private: s}, nil
}
