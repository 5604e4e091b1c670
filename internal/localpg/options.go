package localpg

import (
	"os"
	"path/filepath"
	"time"

	"bayhold/internal/fault"
)

const (
	// oldest is the oldest major version that bayhold's schema runs on.
	oldest = 15
	// port only names the socket file: nothing listens on a network.
	port = "5432"

	// Role owns Database and is no superuser.
	Role = "bayhold"
	// ServerRole is what the server works as: it owns nothing. What it may do
	// is for the migrations to say.
	ServerRole = "bayhold_server"
	// Database is the one that bayhold keeps its tables in.
	Database = "bayhold"
	// superuser is the role that initdb makes.
	superuser = "postgres"
)

// Options say where the private PostgreSQL lives and what it is made of. The
// zero value is what a workshop wants.
type Options struct {
	// DataDir holds all that the server keeps; empty for DefaultDataDir.
	DataDir string
	// BinDir is the one directory to take initdb and postgres from; empty to
	// look for the newest.
	BinDir string
	// Repository is the Maven repository that prebuilt binaries come from;
	// empty for Maven Central.
	Repository string
	// NoFetch forbids to fetch binaries.
	NoFetch bool
	// Volatile gives up safety against power cuts for speed: for data that
	// nobody will miss, such as a test's.
	Volatile bool
	// Settings are further server parameters, such as max_connections.
	Settings map[string]string
	// StopWait is how long Stop waits for open transactions to be rolled back
	// and the last checkpoint to be written; 0 for 10 seconds.
	StopWait time.Duration
	// Progress is told, in words for people, before each step that may take
	// long; nil for silence.
	Progress func(string)

	// places overrides the directories that are searched for binaries.
	places []string
	// orphan leaves out the kernel's help, as on a system that has none.
	orphan bool
}

func (o Options) withDefaults() (Options, error) {
	if o.DataDir == "" {
		dir, err := DefaultDataDir(os.Getenv)
		if err != nil {
			return o, err
		}
		o.DataDir = dir
	}
	dir, err := filepath.Abs(o.DataDir)
	if err != nil {
		return o, fault.New(fault.Invalid, "DATA_DIR", "the data directory %q has no absolute path", o.DataDir).Because(err)
	}
	o.DataDir = dir
	if o.Repository == "" {
		o.Repository = mavenCentral
	}
	if o.StopWait == 0 {
		o.StopWait = 10 * time.Second
	}
	if o.Progress == nil {
		o.Progress = func(string) {}
	}
	return o, nil
}

// DefaultDataDir is $XDG_DATA_HOME/bayhold, else /var/lib/bayhold for root
// (PostgreSQL's user could not get into /root), else ~/.local/share/bayhold.
func DefaultDataDir(getenv func(string) string) (string, error) {
	// An XDG path that is not absolute is to be ignored: XDG Base Directory
	// Specification 0.8, "Basics".
	if x := getenv("XDG_DATA_HOME"); filepath.IsAbs(x) {
		return filepath.Join(x, "bayhold"), nil
	}
	if os.Geteuid() == 0 {
		return "/var/lib/bayhold", nil
	}
	if home := getenv("HOME"); filepath.IsAbs(home) {
		return filepath.Join(home, ".local", "share", "bayhold"), nil
	}
	return "", fault.New(fault.Invalid, "DATA_DIR", "there is no home directory to keep data in: name one with --data-dir")
}
