package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// issueFlags say to whom, what for and until when.
type issueFlags struct {
	to, job, booking, bay, until, note string
	without, done                      bool
}

func (a *app) toolIssueCommand() *cobra.Command {
	var f issueFlags
	cmd := a.command(verb{
		use: "issue [TOOL...] [--to TECHNICIAN]", short: "Hand tools out, against a booking or without one",
		long: `Hand tools to a technician, all or none. Without --job or --booking a tool goes
out against the booking of a job that the technician works on, if there is one
now or later today; else without a booking, for as long as nobody else's would
suffer, and the answer says until when. A tool must be serviceable, complete and
in calibration to the time when it is due back; what is not is refused with
every reason.

Without tools on the command line, tags are read as they are scanned, until an
empty line; "-" reads them from standard input. --to may be left out by a
technician who has a user of their own.`,
		example: `  bayhold tool issue PH-ORLO-2 LT-1 --to jonas-vell --without-booking --until +1d
  bayhold tool issue CH-1 --to jonas-vell --job 15
  bayhold tool issue TW-010-2 --to lio-castel --without-booking --until +2h`,
		run: func(ctx context.Context, args []string) error { return a.toolIssue(ctx, &f, args) },
	})
	fl := cmd.Flags()
	fl.StringVar(&f.to, "to", "", "the `technician` who gets them")
	fl.StringVar(&f.job, "job", "", "against the bookings of this `job`")
	fl.StringVar(&f.booking, "booking", "", "against this `booking` of the one tool")
	fl.BoolVar(&f.without, "without-booking", false, "against no booking, whatever the technician works on")
	fl.StringVar(&f.bay, "bay", "", "the `bay` where they are used (default that of the job)")
	fl.StringVar(&f.until, "until", "", "without a booking: `time` at which they are back (default the end of the technician's day)")
	fl.StringVar(&f.note, "note", "", "for people")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) toolIssue(ctx context.Context, f *issueFlags, args []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	tags, err := a.scanned(args)
	if err != nil {
		return err
	}
	req := &bayholdv1.IssueToolsRequest{Parent: p.site.GetName(), WithoutBooking: f.without, Note: f.note}
	if req.Tools, err = p.names(tools, tags); err != nil {
		return err
	}
	if err := p.maybeNames(nameField{&req.Technician, technicians, f.to}, nameField{&req.Bay, bays, f.bay},
		nameField{&req.Job, jobs, f.job}, nameField{&req.Booking, bookings, f.booking}); err != nil {
		return err
	}
	if req.DueTime, err = a.whenOrNone(p.clock, "--until", f.until); err != nil {
		return err
	}
	resp, err := act(ctx, a, bayholdv1.IssueService_IssueTools_FullMethodName, &bayholdv1.IssueToolsRequest{},
		func(requestID string) (*bayholdv1.IssueToolsRequest, error) {
			req.RequestId = requestID
			return req, nil
		}, p.Issues.IssueTools)
	if err != nil {
		return a.lost(err, a.again(append([]string{"tool", "where"}, bare(req.GetTools())...)...))
	}
	return a.answer(resp, func(w io.Writer) { a.printIssued(w, p.clock, resp) })
}

// returnFlags say how a tool comes back.
type returnFlags struct {
	complete, done, repair bool
	pieces, damaged        []string
	damage, note           string
}

func (a *app) toolReturnCommand() *cobra.Command {
	var f returnFlags
	cmd := a.command(verb{
		use: "return [TOOL...]", short: "Take tools back and count their pieces",
		long: `Take tools back. The pieces of a set are counted: --complete says that all are
there and fit, --piece NAME=COUNT how many are there, --damaged NAME=COUNT how
many of those are not fit. With --complete the pieces that are not named are all
there. At a terminal what was not said is asked for.

A tool with a piece missing or damaged, or with --damage, is UNSERVICEABLE from
then on; the answer tells the bookings that this hits.

The rest of a booking is free as soon as its steps are over, by the record or
else by the plan. --done says that the work with the tool is done, whatever the
plan says; a reservation without steps is only freed by it. A step that has
begun and is not finished keeps its tool.`,
		example: `  bayhold tool issue LS-VELDE-1 LS-VELDE-2 CH-1 --to mira-osei --without-booking --until +1d
  bayhold tool return LS-VELDE-1 --complete
  bayhold tool return LS-VELDE-2 --piece "cam pin=0" --piece "crank pin=1" --piece "pump pin=1" --done
  bayhold tool return CH-1 --damage "fell into the pit" --repair`,
		run: func(ctx context.Context, args []string) error { return a.toolReturn(ctx, &f, args) },
	})
	fl := cmd.Flags()
	fl.BoolVar(&f.complete, "complete", false, "all pieces that are not named are there and fit")
	fl.StringArrayVar(&f.pieces, "piece", nil, "`NAME=COUNT` of a piece as counted")
	fl.StringArrayVar(&f.damaged, "damaged", nil, "`NAME=COUNT` of a piece that is not fit")
	fl.StringVar(&f.damage, "damage", "", "what is wrong with the tool itself")
	fl.BoolVar(&f.done, "done", false, "the work with it is done: the rest of its booking is free")
	fl.BoolVar(&f.repair, "repair", false, "propose at once how to mend what it breaks")
	fl.StringVar(&f.note, "note", "", "for people")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) toolReturn(ctx context.Context, f *returnFlags, args []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	tags, err := a.scanned(args)
	if err != nil {
		return err
	}
	named := len(f.pieces)+len(f.damaged) > 0 || f.damage != "" || a.request != "" || a.machine() || f.repair
	if len(tags) > 1 && named {
		return usage("--piece, --damaged, --damage, --repair, --request-id and JSON are about one tool: return the others by themselves")
	}
	names, err := p.names(tools, tags)
	if err != nil {
		return err
	}
	for i, name := range names {
		if i > 0 {
			fmt.Fprintln(a.streams.Out)
		}
		if err := a.returnOne(ctx, p, f, name); err != nil {
			return err
		}
	}
	return nil
}

func (a *app) returnOne(ctx context.Context, p *place, f *returnFlags, name string) error {
	counted, complete, err := a.count(ctx, p, f, name)
	if err != nil {
		return err
	}
	resp, err := act(ctx, a, bayholdv1.IssueService_ReturnTool_FullMethodName, &bayholdv1.ReturnToolRequest{},
		func(requestID string) (*bayholdv1.ReturnToolRequest, error) {
			return &bayholdv1.ReturnToolRequest{
				Name: name, Counted: counted, RestComplete: complete, Damage: f.damage, Done: f.done, Note: f.note, RequestId: requestID,
			}, nil
		}, p.Issues.ReturnTool)
	if err != nil {
		return a.lost(err, a.again("tool", "where", id(name)))
	}
	err = a.answer(resp, func(w io.Writer) { a.printReturned(w, p.clock, resp) })
	if err == nil && f.repair {
		err = a.mend(ctx, p, resp.GetTool(), resp.GetAffectedBookings())
	}
	return err
}

// count gives the pieces as flags say them, or asks for them at a terminal.
func (a *app) count(ctx context.Context, p *place, f *returnFlags, name string) (list []*bayholdv1.CountedPiece, complete bool, err error) {
	if f.complete || !a.streams.Keyboard || a.machine() || len(f.pieces)+len(f.damaged) > 0 {
		list, err = f.counted()
		return list, f.complete, err
	}
	tool, err := p.Tools.GetTool(ctx, &bayholdv1.GetToolRequest{Name: name})
	if err != nil {
		return nil, false, err
	}
	kind, err := p.Tools.GetToolType(ctx, &bayholdv1.GetToolTypeRequest{Name: tool.GetTool().GetToolType()})
	if err != nil {
		return nil, false, err
	}
	for _, piece := range kind.GetToolType().GetPieces() {
		c := &bayholdv1.CountedPiece{DisplayName: piece.GetDisplayName()}
		if c.Count, err = a.askCount(fmt.Sprintf("%s: %s, %d belong to the set. How many are there?", id(name), piece.GetDisplayName(), piece.GetCount())); err != nil {
			return nil, false, err
		}
		if c.GetCount() > 0 {
			if c.Damaged, err = a.askCount("  How many of them are damaged?"); err != nil {
				return nil, false, err
			}
		}
		list = append(list, c)
	}
	return list, false, nil
}

// askCount asks for a number at the terminal.
func (a *app) askCount(question string) (int32, error) {
	fmt.Fprint(a.streams.Err, plain(question)+" ")
	line, err := a.line()
	switch {
	case err != nil && !errors.Is(err, io.EOF):
		return 0, err
	case line == "":
		return 0, usage("nothing was counted: the tool was not returned")
	}
	n, err := strconv.ParseInt(line, 10, 32)
	if err != nil {
		return 0, usage("%q is no number: the tool was not returned", line)
	}
	return int32(n), nil
}

// counted reads --piece and --damaged.
func (f *returnFlags) counted() ([]*bayholdv1.CountedPiece, error) {
	pieces, err := readPieces("--piece", f.pieces)
	if err != nil {
		return nil, err
	}
	damaged, err := readPieces("--damaged", f.damaged)
	if err != nil {
		return nil, err
	}
	var out []*bayholdv1.CountedPiece
	for _, p := range pieces {
		out = append(out, &bayholdv1.CountedPiece{DisplayName: p.GetDisplayName(), Count: p.GetCount()})
	}
	for _, d := range damaged {
		at := -1
		for i, c := range out {
			if c.GetDisplayName() == d.GetDisplayName() {
				at = i
			}
		}
		if at < 0 {
			return nil, usage("--damaged %s: how many are there? give --piece %q too", d.GetDisplayName(), d.GetDisplayName()+"=COUNT")
		}
		out[at].Damaged = d.GetCount()
	}
	return out, nil
}

// readPieces reads "NAME=COUNT" as often as it was given; "none" is no piece.
func readPieces(flag string, words []string) ([]*bayholdv1.Piece, error) {
	var out []*bayholdv1.Piece
	for _, word := range words {
		if word == "none" && len(words) == 1 {
			return nil, nil
		}
		at := strings.LastIndexByte(word, '=')
		if at < 0 {
			return nil, usage(`%s is %q; write NAME=COUNT, like "cam plate=2"`, flag, word)
		}
		n, err := strconv.ParseInt(strings.TrimSpace(word[at+1:]), 10, 32)
		if err != nil {
			return nil, usage(`%s is %q; the count is no number`, flag, word)
		}
		out = append(out, &bayholdv1.Piece{DisplayName: strings.TrimSpace(word[:at]), Count: int32(n)})
	}
	return out, nil
}

func (a *app) toolHandOverCommand() *cobra.Command {
	var f issueFlags
	cmd := a.command(verb{
		use: "handover [TOOL...] [--to TECHNICIAN] [--bay BAY] [--job JOB]", short: "Pass tools on to another technician, bay or job",
		long: `Pass tools on in one act, all or none: to another technician, to another bay, or
to the booking of another job. They stay out for the job that they are out for,
unless --job says otherwise; --done says that the work of that job is done with
them, and frees the rest of its bookings. The giver or the taker may write it
down.`,
		example: `  bayhold tool issue CH-1 CH-2 --to mira-osei --without-booking --until +1d
  bayhold tool handover CH-1 --to jonas-vell
  bayhold tool handover CH-2 --to lio-castel --bay bay-2
  bayhold tool handover CH-1 --to lio-castel --done`,
		run: func(ctx context.Context, args []string) error { return a.toolHandOver(ctx, &f, args) },
	})
	fl := cmd.Flags()
	fl.StringVar(&f.to, "to", "", "the `technician` who gets them (default whoever has them)")
	fl.StringVar(&f.bay, "bay", "", "the `bay` where they go (default that of the job)")
	fl.StringVar(&f.job, "job", "", "the `job` that they go to (default the one they are out for)")
	fl.BoolVar(&f.done, "done", false, "the work of the job that they come from is done with them")
	fl.StringVar(&f.until, "until", "", "without a booking: `time` at which they are back")
	fl.StringVar(&f.note, "note", "", "for people")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) toolHandOver(ctx context.Context, f *issueFlags, args []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	tags, err := a.scanned(args)
	if err != nil {
		return err
	}
	req := &bayholdv1.HandOverToolsRequest{Parent: p.site.GetName(), Done: f.done, Note: f.note}
	if req.Tools, err = p.names(tools, tags); err != nil {
		return err
	}
	if err := p.maybeNames(nameField{&req.Technician, technicians, f.to}, nameField{&req.Bay, bays, f.bay}, nameField{&req.Job, jobs, f.job}); err != nil {
		return err
	}
	if req.DueTime, err = a.whenOrNone(p.clock, "--until", f.until); err != nil {
		return err
	}
	resp, err := act(ctx, a, bayholdv1.IssueService_HandOverTools_FullMethodName, &bayholdv1.HandOverToolsRequest{},
		func(requestID string) (*bayholdv1.HandOverToolsRequest, error) {
			req.RequestId = requestID
			return req, nil
		}, p.Issues.HandOverTools)
	if err != nil {
		return a.lost(err, a.again(append([]string{"tool", "where"}, bare(req.GetTools())...)...))
	}
	return a.answer(resp, func(w io.Writer) { a.printHanded(w, p.clock, resp) })
}
