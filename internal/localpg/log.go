package localpg

import (
	"io"
	"os"
	"strings"
)

// logLimit is the size at which a start puts the log aside: at a line for each
// checkpoint it takes a busy year to get there.
const logLimit = 16 << 20

// openLog opens PostgreSQL's log to be written on; one older log is kept.
func openLog(path string) (*os.File, error) {
	if info, err := os.Stat(path); err == nil && info.Size() > logLimit {
		if err := os.Rename(path, path+".old"); err != nil {
			return nil, err
		}
	}
	return os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
}

// tail is what the log says from an offset on.
func tail(path string, from int64) string {
	f, err := os.Open(path)
	if err != nil {
		return ""
	}
	defer f.Close()
	var b strings.Builder
	if _, err := io.Copy(&b, io.NewSectionReader(f, from, 64<<10)); err != nil {
		return ""
	}
	return b.String()
}

// leftovers tells from what a postmaster said whether it gave up because
// processes of its predecessor still hold the shared memory (PostgreSQL 15,
// src/backend/port/sysv_shmem.c).
func leftovers(said string) bool {
	return strings.Contains(said, "pre-existing shared memory block")
}
