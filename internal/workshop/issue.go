package workshop

import (
	"context"
	"fmt"
	"slices"
	"time"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/tooling"
)

// IssueOrder asks for tools to be handed out.
type IssueOrder struct {
	Tools      []string // asset tags
	Technician string   // who gets them; empty: the caller
	Bay        string   // where they are used; empty: the bay of the job
	// Job, Booking and Without choose what for: see tooling.Ask.
	Job, Booking int64
	Without      bool
	Due          time.Time // where there is no booking; zero: the end of the technician's day
	Note         string
}

func (o IssueOrder) check(now time.Time) error {
	var fs fault.Fields
	checkTags(&fs, o.Tools)
	checkNote(&fs, "note", o.Note)
	checkDue(&fs, o.Due, now)
	if o.Technician == "" {
		fs.Add("technician", "is missing: who gets the tools?")
	}
	switch {
	case o.Without && (o.Job != 0 || o.Booking != 0):
		fs.Add("without_booking", "goes with neither job nor booking: leave one of them out")
	case o.Booking != 0 && (o.Job != 0 || len(o.Tools) != 1):
		fs.Add("booking", "is one of one tool: leave out the job and the other tools")
	case !o.Due.IsZero() && (o.Job != 0 || o.Booking != 0):
		fs.Add("due_time", "is the end of the booking: leave it out")
	}
	return fs.Err("ISSUE", "the tools cannot be handed out so")
}

// checkTags notes what is wrong with a list of asset tags.
func checkTags(fs *fault.Fields, tags []string) {
	if len(tags) == 0 || len(tags) > maxResources {
		fs.Add("tools", "must be 1 to %d", maxResources)
	}
	seen := map[string]bool{}
	for i, tag := range tags {
		if seen[tag] {
			fs.Add(fmt.Sprintf("tools[%d]", i), "%s is named twice", tag)
		}
		seen[tag] = true
	}
}

// checkDue notes what is wrong with a time at which a tool shall be back.
func checkDue(fs *fault.Fields, due, now time.Time) {
	if due.IsZero() {
		return
	}
	checkTime(fs, "due_time", due)
	switch {
	case !due.After(now):
		fs.Add("due_time", "must lie ahead")
	case due.Sub(now) > maxRange:
		fs.Add("due_time", "must lie within a year")
	}
}

// IssuedTool is a tool that was handed out.
type IssuedTool struct {
	Issue  site.Issue
	Next   *site.Booking // that ends it, where it was issued without one; nil: another reason
	Pieces []site.Piece  // of its set
}

// Issued is what was handed out, and what should be known about it.
type Issued struct {
	Tools    []IssuedTool
	Warnings []string
}

// IssueTools hands tools out, all or none. Precondition, NOT_ISSUABLE, with every
// reason of every tool that cannot be had; Forbidden in another's name.
func (w *Workshop) IssueTools(ctx context.Context, act Act, o IssueOrder) (Issued, error) {
	if o.Technician == "" {
		o.Technician = act.Caller.Technician
	}
	if err := o.check(w.Now()); err != nil {
		return Issued{}, err
	}
	if err := access.OwnName(act.Caller, o.Technician); err != nil {
		return Issued{}, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (Issued, error) {
		c, err := openCounter(ctx, tx, o.Tools, o.Technician, o.Bay)
		if err != nil {
			return Issued{}, err
		}
		var against fault.Fields
		var out Issued
		for _, tag := range o.Tools {
			ask := c.ask(tag)
			ask.Job, ask.Booking, ask.Without, ask.Due = o.Job, o.Booking, o.Without, o.Due
			grant, reasons := tooling.Judge(ask)
			for _, r := range reasons {
				against.Add("tools/"+tag, "%s", r)
			}
			if len(reasons) > 0 {
				continue
			}
			v := site.Issue{Tool: tag, Technician: o.Technician, OutSince: tx.Now(), Note: o.Note}
			issue, err := c.write(ctx, nil, v, grant, o.Bay)
			if err != nil {
				return out, err
			}
			out.Tools = append(out.Tools, IssuedTool{issue, grant.Next, ask.Kind.Pieces})
		}
		out.Warnings = c.warnings()
		return out, tooling.NotIssuable(against)
	})
}

// counter is what the tool store needs to know to hand tools to a technician.
type counter struct {
	tx         *store.Tx
	zone       *time.Location
	technician site.Technician
	dayEnd     time.Time
	onShift    bool
	serving    []int64 // jobs for which the technician is booked
	tools      map[string]site.Tool
	types      map[string]site.ToolType
	held       map[string]site.Issue     // open issues
	bookings   map[string][]site.Booking // of the tools that stand and have not ended, by start
}

// nearby is how far from now a booking of a technician may lie for the job to
// count as theirs.
const nearby = 31 * 24 * time.Hour

// openCounter locks tools, a technician and a bay, which may be empty, and reads
// how they stand.
func openCounter(ctx context.Context, tx *store.Tx, tags []string, technician, bay string) (*counter, error) {
	refs := []Ref{{Kind: site.KindTechnician, ID: technician}}
	if bay != "" {
		refs = append(refs, Ref{Kind: site.KindBay, ID: bay})
	}
	var toolRefs []Ref
	for _, tag := range tags {
		toolRefs = append(toolRefs, Ref{Kind: site.KindTool, ID: tag})
	}
	if err := tx.Lapse(ctx, append(refs, toolRefs...)); err != nil {
		return nil, err
	}
	c := &counter{tx: tx, bookings: map[string][]site.Booking{}, held: map[string]site.Issue{}}
	now := tx.Now()
	var err error
	if c.zone, err = zoneOf(ctx, tx.Reader); err != nil {
		return nil, err
	}
	if c.technician, err = tx.Technician(ctx, technician); err != nil {
		return nil, err
	}
	c.dayEnd, c.onShift = tooling.DayEnd(c.technician, now, c.zone)
	tools, err := tx.Tools(ctx, Page{}, tags...)
	if err != nil {
		return nil, err
	}
	c.tools = byID(tools, toolID)
	if c.types, err = typesByID(ctx, tx.Reader); err != nil {
		return nil, err
	}
	if c.held, err = heldOf(ctx, tx.Reader, tags); err != nil {
		return nil, err
	}
	list, err := tx.Bookings(ctx, store.BookingFilter{
		Now: now, Refs: toolRefs, During: hours.Range{Start: now, End: now.Add(maxRange)},
	})
	if err != nil {
		return nil, err
	}
	for _, b := range list {
		c.bookings[b.Resource] = append(c.bookings[b.Resource], b)
	}
	theirs, err := tx.Bookings(ctx, store.BookingFilter{
		Now: now, Refs: refs[:1], During: hours.Range{Start: now.Add(-nearby), End: now.Add(nearby)},
	})
	for _, b := range theirs {
		c.serving = append(c.serving, b.Job)
	}
	return c, err
}

// heldOf reads the open issues of tools by asset tag; with nil tags of all.
func heldOf(ctx context.Context, r store.Reader, tags []string) (map[string]site.Issue, error) {
	open, err := r.Issues(ctx, store.IssueFilter{Tools: tags, Open: true})
	out := make(map[string]site.Issue, len(open))
	for _, i := range open {
		out[i.Tool] = i
	}
	return out, err
}

// ask is the wish for a tool, as it stands now.
func (c *counter) ask(tag string) tooling.Ask {
	out := tooling.Ask{
		Tool: c.tools[tag], Kind: c.types[c.tools[tag].Type], Technician: c.technician.ID,
		Now: c.tx.Now(), Zone: c.zone, Bookings: c.bookings[tag], Serving: c.serving, End: c.dayEnd,
	}
	if held, ok := c.held[tag]; ok {
		out.Held = &held
	}
	return out
}

// write writes an issue as it was granted, to whoever has the tool from the shelf
// or, if there is an issue before it, from another.
func (c *counter) write(ctx context.Context, from *site.Issue, v site.Issue, g tooling.Grant, bay string) (site.Issue, error) {
	v.IssuedAt, v.DueAt, v.Bay = c.tx.Now(), g.Due, bay
	touched := []string{"tools/" + v.Tool, "technicians/" + v.Technician}
	if b := g.Booking; b != nil {
		v.Booking, v.Job, v.Reference = b.ID, b.Job, b.Reference
		touched = append(touched, fmt.Sprintf("jobs/%d", b.Job))
		if v.Bay == "" {
			var err error
			if v.Bay, err = bayOf(ctx, c.tx, b.Job, hours.Range{Start: v.IssuedAt, End: v.DueAt}); err != nil {
				return v, err
			}
		}
	}
	v, err := c.tx.AddIssue(ctx, v)
	if err == nil {
		event := store.Event{Kind: "tool.issued", Subject: "tools/" + v.Tool, Details: map[string]any{"after": v}}
		if from != nil {
			event = changed("tool.handed-over", "tools/"+v.Tool, from, v)
		}
		event.Touched = touched
		c.tx.Log(event)
	}
	return v, err
}

// bayOf is the bay that a job has booked in a time; empty if none.
func bayOf(ctx context.Context, tx *store.Tx, job int64, during hours.Range) (string, error) {
	list, err := tx.Bookings(ctx, store.BookingFilter{Now: tx.Now(), Job: job, During: during})
	for _, b := range list {
		if b.Kind == site.KindBay {
			return b.Resource, err
		}
	}
	return "", err
}

// warnings are what should be known of the technician and hinders nothing.
func (c *counter) warnings() []string {
	name := c.technician.Name
	if away, absent := tooling.AbsentAt(c.technician, c.tx.Now()); absent {
		return []string{fmt.Sprintf("%s is absent (%s) until %s", name, away.Reason, away.During.End.In(c.zone).Format("Mon 2006-01-02 15:04"))}
	}
	if !c.onShift {
		return []string{name + " has no shift any more today"}
	}
	return nil
}

// HandOver asks for tools to be passed on.
type HandOver struct {
	Tools      []string // asset tags
	Technician string   // who gets them; empty: whoever has each keeps it
	Bay        string   // where they go; empty: the bay of the job they are for
	Job        int64    // where they go; 0: the one they are out for, if that stands
	Done       bool     // the work that they come from is done with them
	Due        time.Time
	Note       string
}

func (o HandOver) check(now time.Time) error {
	var fs fault.Fields
	checkTags(&fs, o.Tools)
	checkNote(&fs, "note", o.Note)
	checkDue(&fs, o.Due, now)
	if !o.Due.IsZero() && o.Job != 0 {
		fs.Add("due_time", "is the end of the booking: leave it out")
	}
	if o.Technician == "" && o.Bay == "" && o.Job == 0 {
		fs.Add("technician", "is missing: name another technician, another bay or another job")
	}
	return fs.Err("HAND_OVER", "the tools cannot be passed on so")
}

// HandedTool is a tool that was passed on.
type HandedTool struct {
	From, To site.Issue
	Freed    *site.Booking // that ends earlier because of it; nil: none
}

// HandedOver is what was passed on, and what should be known about it.
type HandedOver struct {
	Tools    []HandedTool
	Warnings []string
}

// HandOverTools passes tools on, all or none. Precondition, NOT_ISSUED for what
// nobody has, SAME_HANDS for what is there already, NOT_ISSUABLE as IssueTools.
func (w *Workshop) HandOverTools(ctx context.Context, act Act, o HandOver) (HandedOver, error) {
	if err := o.check(w.Now()); err != nil {
		return HandedOver{}, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (HandedOver, error) {
		var out HandedOver
		// Who has them is read before the locks, to know whom to lock; what
		// counts is read again behind them.
		before, err := heldOf(ctx, tx.Reader, o.Tools)
		if err != nil {
			return out, err
		}
		to := o.Technician
		for _, tag := range o.Tools {
			from, ok := before[tag]
			switch {
			case !ok:
				return out, notOut(ctx, tx, tag)
			case o.Technician == "" && to != "" && to != from.Technician:
				var fs fault.Fields
				fs.Add("technician", "is missing: %s and %s have these tools; name who gets them", to, from.Technician)
				return out, fs.Err("HAND_OVER", "the tools cannot be passed on so")
			case o.Technician == "":
				to = from.Technician
			}
		}
		c, err := openCounter(ctx, tx, o.Tools, to, o.Bay)
		if err != nil {
			return out, err
		}
		var against fault.Fields
		for _, tag := range o.Tools {
			held, ok := c.held[tag]
			if !ok {
				return out, notOut(ctx, tx, tag)
			}
			if err := mayHandOver(act.Caller, held.Technician, to); err != nil {
				return out, err
			}
			handed, reasons, err := c.pass(ctx, held, o)
			if err != nil {
				return out, err
			}
			for _, r := range reasons {
				against.Add("tools/"+tag, "%s", r)
			}
			out.Tools = append(out.Tools, handed)
		}
		out.Warnings = c.warnings()
		return out, tooling.NotIssuable(against)
	})
}

// mayHandOver lets the giver and the taker write a handover down in their own
// names, and those who may act for others.
func mayHandOver(caller access.Caller, from, to string) error {
	err := access.OwnName(caller, from)
	if err != nil && access.OwnName(caller, to) == nil {
		return nil
	}
	return err
}

// pass passes one tool on.
func (c *counter) pass(ctx context.Context, from site.Issue, o HandOver) (HandedTool, []string, error) {
	var out HandedTool
	same := from.Technician == c.technician.ID && (o.Bay == "" || o.Bay == from.Bay) && (o.Job == 0 || o.Job == from.Job)
	if same {
		return out, nil, fault.New(fault.Precondition, "SAME_HANDS",
			"%s has %s already%s: name another technician, another bay or another job", from.Technician, from.Tool, inBay(from.Bay))
	}
	freed, err := c.free(ctx, from, o.Done)
	if err != nil {
		return out, nil, err
	}
	out.Freed = freed.booking
	ask := c.ask(from.Tool)
	ask.Held, ask.Job, ask.Due = nil, o.Job, o.Due
	stands := slices.ContainsFunc(ask.Bookings, func(b site.Booking) bool { return b.Job == from.Job })
	if o.Job == 0 && from.Job != 0 && stands {
		ask.Job = from.Job
	}
	grant, reasons := tooling.Judge(ask)
	if len(reasons) > 0 {
		return out, reasons, nil
	}
	from.Outcome = site.HandedOver
	if out.From, err = c.tx.CloseIssue(ctx, from); err != nil {
		return out, nil, err
	}
	v := site.Issue{Tool: from.Tool, Technician: c.technician.ID, OutSince: from.OutSince, Follows: from.ID, Note: o.Note}
	out.To, err = c.write(ctx, &from, v, grant, o.Bay)
	return out, nil, err
}

func inBay(bay string) string {
	if bay == "" {
		return ""
	}
	return " in " + bay
}

// notOut is the fault of a tool that nobody has; NotFound if the site has no
// such tool.
func notOut(ctx context.Context, tx *store.Tx, tag string) error {
	t, err := tx.Tool(ctx, tag)
	if err != nil {
		return err
	}
	home := t.Home
	if home == "" {
		home = "its place"
	}
	return fault.New(fault.Precondition, "NOT_ISSUED", "%s is not out: it is written down as %s, at %s", tag, t.Condition, home)
}
