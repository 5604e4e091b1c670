// Package sitefile reads workshop files: YAML written by hand that tells what a
// site has (bays, technicians, tool types, tools, engine families), the
// preparations and procedures of its work, and bookings that stand already.
// Tool types, tools, calibrations, shifts and bookings may come as tables (CSV)
// too, with a mapping that says which column is what; tool types and tools are
// written as either.
//
// Files are read as one whole. Everything that is wrong with them is reported
// at once, each fault with its file and line, what is wrong and what would be
// right. The format is described at the head of testdata/demo/site.yaml.
package sitefile

import (
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
)

// File is one workshop file.
type File struct {
	Name    string // for messages; one that ends in .csv is CSV
	Content []byte // UTF-8 YAML, or CSV
	Mapping *File  // of a CSV file, how it is to be read; nil: as it says itself
}

// Options are what reading depends on besides the files.
type Options struct {
	// Now is the instant whose week relative times count from: "week+1 tue
	// 08:00" is on the Tuesday after the week of Now, in the site's zone.
	Now time.Time
	// Known is what the site has already.
	Known Known
	// ToolsOnly lets the files hold tool types and tools, and nothing else.
	ToolsOnly bool
}

// Known is what a site has already, so that files may refer to it without
// repeating it. What a file says of the same thing goes before it.
type Known struct {
	Site           *site.Site // nil for a new site
	Bays           []string   // ids
	Technicians    []string   // ids
	Tools          []string   // asset tags
	EngineFamilies []string   // ids
	ToolTypes      []site.ToolType
	Preparations   []procedure.Preparation
	Procedures     []procedure.Procedure // one version of each: the newest
	// Names are what people call what has an id, for tables that do so too.
	Names []Name
}

// Name is what people call a thing.
type Name struct {
	Noun string // "bay", "technician", "tool type" or "engine family"
	ID   string
	Name string
}

// Workshop is what files say, each list in the order in which it is written.
type Workshop struct {
	Site           *site.Site // nil if no file has one
	Bays           []site.Bay
	Technicians    []site.Technician
	EngineFamilies []site.EngineFamily
	ToolTypes      []site.ToolType
	Tools          []site.Tool
	Unjudged       []string // asset tags of tools of whose condition the files say nothing
	Preparations   []procedure.Preparation
	Procedures     []procedure.Procedure // several versions of one may stand here
	Calibrations   []Calibration
	Rosters        []Roster
	Bookings       []StandingBooking
	Notices        []string // what was left out of tables, in words
}

// StandingBooking is a job, or a bare reservation, whose bookings stand already.
type StandingBooking struct {
	Reference string // the workshop's own; unique in the files
	Note      string
	State     site.BookingState // CONFIRMED or TENTATIVE
	ExpiresAt time.Time         // when a TENTATIVE one lapses; zero otherwise
	Claims    []Claim           // at least one; none overlaps another on its resource
	Place     string            // where it stands, for faults
}

// Claim is one resource for one half-open time.
type Claim struct {
	Kind     site.Kind
	Resource string // id of the bay or technician, asset tag of the tool
	During   hours.Range
	Place    string // where it stands, for faults
}

// Parse reads files as a whole. Its error is nil or a fault: BAD_FILE (Invalid)
// with a field for each thing that is wrong, whose path is "file.yaml:LINE";
// or TOO_LARGE (Exhausted) for files beyond the limits of this package.
func Parse(files []File, opts Options) (*Workshop, error) {
	r, w, err := readAll(files, opts, procedure.Library.Faults)
	if err != nil {
		return nil, err
	}
	if err := r.err(); err != nil {
		return nil, err
	}
	return w, nil
}

// readAll reads files and has their preparations and procedures judged.
func readAll(files []File, opts Options, judge func(procedure.Library) []procedure.Finding) (*reader, *Workshop, error) {
	docs, r, err := open(files, opts.Known)
	if err != nil {
		return nil, nil, err
	}
	sections := r.sections(docs, opts.ToolsOnly)
	w := &Workshop{}
	r.readSite(w, sections["site"])
	r.setAnchor(w, opts.Now)
	r.readFamilies(w, sections["engine_families"])
	r.readBays(w, sections["bays"])
	r.readTechnicians(w, sections["technicians"])
	r.readToolTypes(w, sections["tool_types"])
	r.readTools(w, sections["tools"])
	if err := r.readWork(w, sections["preparations"], sections["procedures"]); err != nil {
		return nil, nil, err
	}
	r.readCalibrations(w, sections["calibrations"])
	r.readRosters(w, sections["shifts"])
	r.readBookings(w, sections["bookings"])
	w.Notices = r.notices
	if err := r.judgeWork(w, judge); err != nil {
		return nil, nil, err
	}
	r.sort()
	return r, w, nil
}

// sections gathers what stands under each key at the top of the files.
func (r *reader) sections(docs []value, toolsOnly bool) map[string][]value {
	out := make(map[string][]value)
	keys := []string{"site", "engine_families", "bays", "technicians", "tool_types", "tools", "preparations", "procedures",
		"calibrations", "shifts", "bookings"}
	if toolsOnly {
		keys = []string{"tool_types", "tools"}
	}
	for _, doc := range docs {
		o, ok := doc.object(keys...)
		if !ok {
			continue
		}
		for _, k := range keys {
			if v := o.get(k); v.present() {
				out[k] = append(out[k], v)
			}
		}
	}
	return out
}

// items gives the entries of the lists under one key of the files.
func items(lists []value) []value {
	var out []value
	for _, l := range lists {
		out = append(out, l.list()...)
	}
	return out
}

func tooLarge(format string, args ...any) error {
	return fault.New(fault.Exhausted, "TOO_LARGE", format, args...)
}
