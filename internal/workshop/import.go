package workshop

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path"
	"reflect"
	"slices"
	"time"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/sitefile"
	"bayhold/internal/store"
)

// File is a workshop file as it lies on the caller's disk.
type File = sitefile.File

// Intake asks for workshop files to be taken in.
type Intake struct {
	Site         string // for files that carry none; empty if one does
	Files        []File
	Anchor       time.Time // that relative times count from; zero: now
	ValidateOnly bool
	ToolsOnly    bool // the files may hold tool types and tools, and nothing else
}

// ImportCount tells how many of a kind were new, changed or as they stood.
type ImportCount struct {
	Kind                      string
	Added, Changed, Unchanged int
}

// Imported tells what files changed.
type Imported struct {
	Site   site.Site
	Counts []ImportCount
	// Affected are standing bookings that the tools that changed cannot serve
	// as they are now, by start.
	Affected []site.Booking
	// Changes tell what would change if nothing is to be written; at most
	// maxChanges of them, LeftOut is how many more there are.
	Changes []ImportChange
	LeftOut int
	Notices []string // what was left out of tables, in words
}

// errDry ends a transaction whose work was only to be tried.
var errDry = errors.New("nothing is to be written")

// Import takes in files as a whole, all or none. Invalid tells every fault with
// file and line. What stands already with the same content is left alone.
func (w *Workshop) Import(ctx context.Context, act Act, in Intake) (Imported, error) {
	if in.Anchor.IsZero() {
		in.Anchor = w.Now()
	}
	siteID, err := sitefile.SiteID(in.Files)
	if err != nil {
		return Imported{}, err
	}
	if siteID == "" {
		siteID = cmp.Or(in.Site, act.Caller.Site)
	}
	if siteID == "" {
		if siteID, err = w.onlySite(ctx); err != nil {
			return Imported{}, err
		}
	}
	var fs fault.Fields
	switch {
	case siteID == "":
		fs.Add("parent", "no file names its site, and there is not just one: say which one they are for")
	case in.Site != "" && in.Site != siteID:
		fs.Add("parent", "the files are for site %q, not %q", siteID, in.Site)
	}
	if err := fs.Err("SITE", "the files cannot be taken in"); err != nil {
		return Imported{}, err
	}
	if err := access.AtSite(act.Caller, siteID); err != nil {
		return Imported{}, err
	}
	act.Site = siteID
	req := w.request(act)
	req.NewSite = true
	var dry Imported
	out, err := store.Act(ctx, w.store, req, func(ctx context.Context, tx *store.Tx) (Imported, error) {
		i := importer{tx: tx, siteID: siteID, caller: act.Caller, tell: in.ValidateOnly || req.DryRun}
		out, err := i.run(ctx, in)
		if err == nil && in.ValidateOnly {
			dry, err = out, errDry
		}
		return out, err
	})
	if errors.Is(err, errDry) {
		return dry, nil
	}
	return out, err
}

// onlySite gives the id of the one site that there is; empty if there are none
// or several.
func (w *Workshop) onlySite(ctx context.Context) (string, error) {
	sites, err := w.store.Sites(ctx, Page{Limit: 2})
	if err != nil || len(sites) != 1 {
		return "", err
	}
	return sites[0].ID, nil
}

// importer writes one intake.
type importer struct {
	tx     *store.Tx
	siteID string
	caller access.Caller
	tell   bool // what changes, one by one
	have   standing
	zone   *time.Location
	proven map[string][]store.CertificateRecord // by tool
	counts []*ImportCount
	told   []ImportChange
	over   int // changes that are not told
}

// standing is what the site has before the import.
type standing struct {
	site         site.Site
	bays         map[string]site.Bay
	technicians  map[string]site.Technician
	families     map[string]site.EngineFamily
	types        map[string]site.ToolType
	tools        map[string]site.Tool
	preparations map[string]procedure.Preparation
	procedures   map[string]procedure.Procedure // newest versions
}

func (i *importer) run(ctx context.Context, in Intake) (Imported, error) {
	var out Imported
	var err error
	if i.have, err = load(ctx, i.tx.Reader); err != nil {
		return out, err
	}
	opts := sitefile.Options{Now: in.Anchor, Known: i.have.known(), ToolsOnly: in.ToolsOnly}
	files, err := sitefile.Parse(in.Files, opts)
	if err != nil {
		return out, err
	}
	if err := doubts(in.Files, opts); err != nil {
		return out, err
	}
	if err := i.may(files); err != nil {
		return out, err
	}
	i.zone = zoneIn(files.Site, i.have.site)
	if err := i.putSite(ctx, files.Site); err != nil {
		return out, err
	}
	i.enrolRosters(files)
	if err := i.lock(ctx, files); err != nil {
		return out, err
	}
	for _, put := range []func(context.Context, *sitefile.Workshop) error{
		i.putPlaces, i.putTools, i.putCalibrations, i.putWork, i.putBookings,
	} {
		if err := put(ctx, files); err != nil {
			return out, err
		}
	}
	for _, c := range i.counts {
		out.Counts = append(out.Counts, *c)
	}
	if i.wrote() {
		i.tx.Log(store.Event{Kind: "site.imported", Details: out.Counts})
	}
	if out.Affected, err = i.affected(ctx); err != nil {
		return out, err
	}
	out.Changes, out.LeftOut, out.Notices = i.told, i.over, files.Notices
	out.Site, err = i.tx.Site(ctx)
	return out, err
}

// affected reads the standing bookings that tools which changed, or whose type
// did, cannot serve any more.
func (i *importer) affected(ctx context.Context) ([]site.Booking, error) {
	types, err := typesByID(ctx, i.tx.Reader)
	if err != nil {
		return nil, err
	}
	tools, err := i.tx.Tools(ctx, Page{})
	if err != nil {
		return nil, err
	}
	var out []site.Booking
	for _, t := range tools {
		had, before := i.have.tools[t.Tag]
		if !before || same(had, t) && same(i.have.types[t.Type], types[t.Type]) {
			continue
		}
		hit, err := unserved(ctx, i.tx.Reader, i.tx.Now(), t, types[t.Type])
		if err != nil {
			return nil, err
		}
		out = append(out, hit...)
	}
	slices.SortStableFunc(out, func(a, b site.Booking) int { return a.During.Start.Compare(b.During.Start) })
	return out, nil
}

// doubts refuses torques that such a bolt can hardly bear until their author has
// either corrected or accepted them. It is a question, not a verdict.
func doubts(files []File, opts sitefile.Options) error {
	found, err := sitefile.Lint(files, opts)
	if err != nil {
		return err
	}
	var fs fault.Fields
	for _, f := range found {
		if f.Rule == procedure.RuleImplausible {
			fs.Add(fmt.Sprintf("%s:%d", f.File, f.Line), "%s", f.Message)
		}
	}
	return fs.Err("DOUBTS", "torques are in doubt; nothing was written: correct them, or accept them in the file if they are right")
}

func (i *importer) wrote() bool {
	for _, c := range i.counts {
		if c.Added+c.Changed > 0 {
			return true
		}
	}
	return false
}

func (i *importer) putSite(ctx context.Context, v *site.Site) error {
	if v == nil {
		if i.have.site.ID == "" {
			return fault.New(fault.NotFound, "SITE", "there is no site %q, and no file describes it", i.siteID)
		}
		return nil
	}
	had := i.have.site
	had.Revision = 0
	return putOne(ctx, i, i.count("site"), "", had.ID != "", had, *v, sitefile.SiteWords, i.tx.PutSite)
}

// lock takes the rows of what stands and is in the files, as a booking does.
func (i *importer) lock(ctx context.Context, files *sitefile.Workshop) error {
	want := make(map[Ref]bool)
	for _, b := range files.Bays {
		want[Ref{Kind: site.KindBay, ID: b.ID}] = true
	}
	for _, t := range files.Technicians {
		want[Ref{Kind: site.KindTechnician, ID: t.ID}] = true
	}
	for _, t := range files.Tools {
		want[Ref{Kind: site.KindTool, ID: t.Tag}] = true
	}
	for _, c := range files.Calibrations {
		want[Ref{Kind: site.KindTool, ID: c.Tool}] = true
	}
	for _, b := range files.Bookings {
		for _, c := range b.Claims {
			want[Ref{Kind: c.Kind, ID: c.Resource}] = true
		}
	}
	var refs []Ref
	for ref := range want {
		if i.stands(ref) {
			refs = append(refs, ref)
		}
	}
	return i.tx.Lock(ctx, refs)
}

// stands tells whether the site had something before the import.
func (i *importer) stands(ref Ref) bool {
	var ok bool
	switch ref.Kind {
	case site.KindBay:
		_, ok = i.have.bays[ref.ID]
	case site.KindTechnician:
		_, ok = i.have.technicians[ref.ID]
	default:
		_, ok = i.have.tools[ref.ID]
	}
	return ok
}

func (i *importer) putPlaces(ctx context.Context, files *sitefile.Workshop) error {
	sayBay := func(b site.Bay) []sitefile.Word { return sitefile.BayWords(b, i.zone) }
	if err := putAll(ctx, i, "bay", files.Bays, i.have.bays, bayID, sayBay, i.tx.PutBay); err != nil {
		return err
	}
	say := func(t site.Technician) []sitefile.Word { return sitefile.TechnicianWords(t, i.zone) }
	return putAll(ctx, i, "technician", files.Technicians, i.have.technicians, technicianID, say, i.tx.PutTechnician)
}

func (i *importer) putTools(ctx context.Context, files *sitefile.Workshop) error {
	if err := putAll(ctx, i, "engine family", files.EngineFamilies, i.have.families, familyID, sitefile.FamilyWords, i.tx.PutEngineFamily); err != nil {
		return err
	}
	if err := putAll(ctx, i, "tool type", files.ToolTypes, i.have.types, typeID, sitefile.TypeWords, i.tx.PutToolType); err != nil {
		return err
	}
	proven, err := i.tx.Certificates(ctx, store.CertificateFilter{})
	if err != nil {
		return err
	}
	i.proven = make(map[string][]store.CertificateRecord)
	for _, c := range proven {
		i.proven[c.Tool] = append(i.proven[c.Tool], c)
	}
	say := func(t site.Tool) []sitefile.Word { return sitefile.ToolWords(t, i.zone) }
	return putAll(ctx, i, "tool", mapped(files.Tools, func(t site.Tool) site.Tool {
		had, stands := i.have.tools[t.Tag]
		// What certificates say is not for a file to change.
		if len(i.proven[t.Tag]) > 0 {
			t.CalibratedUntil = had.CalibratedUntil
		}
		// A list of what is on the shelf makes no broken tool whole.
		if stands && slices.Contains(files.Unjudged, t.Tag) {
			t.Condition, t.ConditionUntil, t.ConditionNote = had.Condition, had.ConditionUntil, had.ConditionNote
			t.Missing, t.Damaged = had.Missing, had.Damaged
		}
		return t
	}), i.have.tools, toolID, say, i.tx.PutTool)
}

func (i *importer) putWork(ctx context.Context, files *sitefile.Workshop) error {
	sayPreparation := func(p procedure.Preparation) []sitefile.Word { return sitefile.PreparationWords(p, sealed) }
	err := putAll(ctx, i, "preparation", mapped(files.Preparations, preparationWithoutLines), i.have.preparations,
		preparationID, sayPreparation, i.tx.PutPreparation)
	if err != nil {
		return err
	}
	say := func(p procedure.Procedure) []sitefile.Word { return sitefile.ProcedureWords(p, sealed) }
	c := i.count("procedure")
	var fs fault.Fields
	for _, v := range mapped(files.Procedures, procedureWithoutLines) {
		had, err := i.tx.Procedure(ctx, v.ID, v.Version)
		exists := err == nil
		if err != nil && fault.KindOf(err) != fault.NotFound {
			return err
		}
		if exists && had.State != procedure.Draft && !same(withState(had, v.State), v) {
			fs.Add("procedures/"+v.ID, "version %d is %s and never changes: give the new content a new version", v.Version, had.State)
			continue
		}
		if err := putOne(ctx, i, c, "procedures/"+v.ID, exists, had, v, say, i.tx.PutProcedure); err != nil {
			return err
		}
	}
	return fs.Err("ISSUED", "the files change what was issued; nothing was written")
}

// withState is a procedure in another state: issuing and withdrawing are all
// that may change of one that was issued.
func withState(p procedure.Procedure, s procedure.State) procedure.Procedure {
	p.State = s
	return p
}

func cover(a, b hours.Range) hours.Range {
	if b.Start.Before(a.Start) {
		a.Start = b.Start
	}
	if b.End.After(a.End) {
		a.End = b.End
	}
	return a
}

func (i *importer) count(kind string) *ImportCount {
	c := &ImportCount{Kind: kind}
	i.counts = append(i.counts, c)
	return c
}

func putAll[T any](ctx context.Context, i *importer, kind string, list []T, have map[string]T, id func(T) string,
	say func(T) []sitefile.Word, put func(context.Context, T) error,
) error {
	c := i.count(kind)
	for _, v := range list {
		had, exists := have[id(v)]
		if err := putOne(ctx, i, c, collections[kind]+"/"+id(v), exists, had, v, say, put); err != nil {
			return err
		}
	}
	return nil
}

func putOne[T any](ctx context.Context, i *importer, c *ImportCount, subject string, exists bool, had, v T,
	say func(T) []sitefile.Word, put func(context.Context, T) error,
) error {
	switch {
	case exists && same(had, v):
		c.Unchanged++
		return nil
	case exists:
		c.Changed++
		i.tx.Log(i.changed(c.Kind, subject, had, v))
	default:
		c.Added++
		i.tx.Log(store.Event{Kind: eventKind(c.Kind, "added"), Subject: subject, Details: map[string]any{"after": heading(v)}})
	}
	if i.tell {
		var before []sitefile.Word
		if exists {
			before = say(had)
		}
		i.note(ImportChange{Kind: c.Kind, ID: path.Base(cmp.Or(subject, i.siteID)), Added: !exists, Fields: sitefile.Differ(before, say(v))})
	}
	return put(ctx, v)
}

// same compares two values by what they say: an absent list is an empty one.
func same(a, b any) bool {
	return reflect.DeepEqual(plain(a), plain(b))
}

func plain(v any) any {
	raw, err := json.Marshal(v)
	if err != nil {
		return v
	}
	var out any
	if err := json.Unmarshal(raw, &out); err != nil {
		return v
	}
	return trim(out)
}

// trim drops what is absent or empty from a decoded JSON value.
func trim(v any) any {
	switch v := v.(type) {
	case map[string]any:
		for k, e := range v {
			if e = trim(e); e == nil {
				delete(v, k)
			} else {
				v[k] = e
			}
		}
		if len(v) == 0 {
			return nil
		}
	case []any:
		if len(v) == 0 {
			return nil
		}
		for i := range v {
			v[i] = trim(v[i])
		}
	}
	return v
}
