package workshop

import (
	"encoding/json"
	"slices"
	"strings"
	"time"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/sitefile"
)

// ImportChange is one thing that an import adds or changes.
type ImportChange struct {
	Kind, ID string // as in the count: "tool", "TW-200-1"
	Added    bool
	Fields   []sitefile.Difference
}

// maxChanges bounds how many changes are told one by one.
const maxChanges = 2_000

func (i *importer) note(c ImportChange) {
	switch {
	case !i.tell:
	case len(i.told) == maxChanges:
		i.over++
	default:
		i.told = append(i.told, c)
	}
}

// sealed tells contents apart whose words are the same.
func sealed(v any) string {
	raw, err := json.Marshal(plain(v))
	if err != nil {
		return ""
	}
	return string(raw)
}

// zoneIn is the zone of the site that files describe, or of the one that stands.
func zoneIn(files *site.Site, have site.Site) *time.Location {
	if files != nil {
		have = *files
	}
	if zone, err := time.LoadLocation(have.TimeZone); err == nil {
		return zone
	}
	return time.UTC
}

// may refuses calibrations to whoever could not record them one by one.
func (i *importer) may(files *sitefile.Workshop) error {
	if len(files.Calibrations) == 0 || i.caller.Site == "" || i.caller.Has(access.Administrator) {
		return nil
	}
	return fault.New(fault.Forbidden, "ROLE", "calibrations are for administrators: leave them out of the files, or ask an administrator")
}

// enrolRosters puts the shifts of rosters into the technicians that files
// describe, or that stand.
func (i *importer) enrolRosters(files *sitefile.Workshop) {
	for _, r := range files.Rosters {
		at := slices.IndexFunc(files.Technicians, func(t site.Technician) bool { return t.ID == r.Technician })
		if at < 0 {
			at = len(files.Technicians)
			files.Technicians = append(files.Technicians, i.have.technicians[r.Technician])
		}
		files.Technicians[at] = r.Apply(files.Technicians[at])
	}
}

// errorText is what an error says to people.
func errorText(err error) string {
	if f := fault.Fault(err); f != nil {
		parts := []string{f.Message}
		for _, field := range f.Fields {
			parts = append(parts, field.Path+": "+field.Message)
		}
		return strings.Join(parts, "; ")
	}
	return err.Error()
}

// SuggestMapping writes a mapping for a table to begin with; rows is what its
// rows are, empty to guess. Invalid if its first row cannot be read.
func SuggestMapping(f File, rows string) ([]byte, error) { return sitefile.SuggestMapping(f, rows) }
