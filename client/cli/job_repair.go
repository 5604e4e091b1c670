package cli

import (
	"context"
	"errors"
	"io"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// repairFlags say what happened, and what to do about it.
type repairFlags struct {
	overrun          string
	now              bool
	out, from, until string
	horizon, to      string
	book             bool
	reason           string
	newPromises      bool
	picture          pictureFlags
}

func (a *app) jobRepairCommand() *cobra.Command {
	var f repairFlags
	cmd := a.command(verb{
		use: "repair (--overrun JOB/STEP=+MIN | --out WHAT --until T | --now)", short: "What breaks when the day goes otherwise, and how to mend it",
		long: `Tell which bookings cannot stand when a step takes longer, or when a bay, a tool
or a technician cannot be had for a time, and the repair that moves the fewest
promises, then the fewest bookings, then the fewest minutes. What has begun
stays where it is. Nothing is booked unless --book is given; --to keeps the
repair in a file, which books it later: bayhold job move --arrangement FILE.

--now asks what breaks by what is recorded already: steps that began late, or
have not ended when they should.

A step is named by its id or the last part of it; a wrong one is answered with
those that the job has. --out takes an id, or bays/ID, tools/ID or
technicians/ID where several things share one; --from is now unless given. The
exit code is 3 if a job has no place before the horizon: then something must be
done by hand, and --book books nothing. --picture and --svg draw each job before
and after.

A promise that breaks stands as it was told until somebody tells another:
--new-promises promises the new hand-back from now on. Ring the customer first.`,
		example: `  bayhold job repair --overrun 15/wheels-judged=+90
  bayhold job repair --now
  bayhold job repair --out TW-100-2 --until +3w --to repair.json
  bayhold job repair --out technicians/sena-holt --from tomorrow --until +2d --book --reason ill`,
		args: cobra.NoArgs,
		run:  func(ctx context.Context, _ []string) error { return a.jobRepair(ctx, &f) },
	})
	fl := cmd.Flags()
	fl.StringVar(&f.overrun, "overrun", "", "`step` that takes longer, by so many working minutes: JOB/STEP=+MINUTES; also +2h")
	fl.BoolVar(&f.now, "now", false, "nothing new: what breaks as it stands")
	fl.StringVar(&f.out, "out", "", "`resource` that cannot be had: a bay, a tool or a technician")
	fl.StringVar(&f.from, "from", "", "with --out: first `time` (default now)")
	fl.StringVar(&f.until, "until", "", "with --out: `time` at which it is back; a date: the end of that day")
	fl.StringVar(&f.horizon, "horizon", "", "no step ends after this `time`; a date: the end of that day (default eight weeks from now)")
	fl.StringVar(&f.to, "to", "", "keep the repair in this `file`, to book it")
	fl.BoolVar(&f.book, "book", false, "book the repair at once")
	fl.StringVar(&f.reason, "reason", "", "why, for the record")
	fl.BoolVar(&f.newPromises, "new-promises", false, newPromisesHelp)
	f.picture.register(cmd)
	a.requestIDFlag(cmd)
	return cmd
}

// validate says what flags do not go together.
func (f *repairFlags) validate(requestID string) error {
	switch {
	case given(f.overrun != "", f.out != "", f.now) != 1:
		return usage("what happened? give --overrun JOB/STEP=+MINUTES, or --out RESOURCE --until TIME, or --now").try("bayhold job repair --help")
	case f.out == "" && (f.from != "" || f.until != ""):
		return usage("--from and --until go with --out only")
	case f.out != "" && f.until == "":
		return usage("until when can %s not be had? give --until TIME", f.out)
	case !f.book && requestID != "":
		return usage("--request-id goes with --book only")
	}
	return f.promising()
}

const newPromisesHelp = "with --book or --to: where a promise breaks, the new hand-back is promised from now on"

// promising says what new promises go with.
func (f *repairFlags) promising() error {
	if f.newPromises && !f.book && f.to == "" {
		return usage("--new-promises goes with --book or --to only")
	}
	return nil
}

// given counts what is so.
func given(list ...bool) int {
	n := 0
	for _, is := range list {
		if is {
			n++
		}
	}
	return n
}

// repaired is a repair with what was asked and what each job's bookings become.
type repaired struct {
	req     *bayholdv1.ProposeRepairRequest
	resp    *bayholdv1.ProposeRepairResponse
	changes []difference // of each job of resp
	file    string       // where it is kept; empty if nowhere
	flags   *repairFlags
}

// errNothing says that there is nothing to book, and that this was told.
var errNothing = errors.New("there is nothing to book")

func (a *app) jobRepair(ctx context.Context, f *repairFlags) error {
	if err := f.validate(a.request); err != nil {
		return err
	}
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	if !f.book {
		r, err := a.proposeRepair(ctx, p, f)
		if err != nil {
			return err
		}
		return a.tellRepair(p, r)
	}
	var r repaired
	resp, err := a.bookArrangement(ctx, p, func() (*bayholdv1.BookArrangementRequest, error) {
		if r, err = a.proposeRepair(ctx, p, f); err != nil {
			return nil, err
		}
		if len(r.resp.GetJobs()) == 0 || len(homeless(r.resp.GetJobs())) > 0 {
			if err := a.tellRepair(p, r); err != nil {
				return nil, err
			}
			return nil, errNothing
		}
		return r.arrangement(p), nil
	}, func(c clock, _ *bayholdv1.BookArrangementRequest) []string { return repairWords(c, r.req) })
	if errors.Is(err, errNothing) {
		return nil
	}
	if err != nil {
		return err
	}
	err = a.answer(resp, func(w io.Writer) {
		if r.resp != nil { // else a request that was kept was sent again
			a.printRepair(w, p.clock, r)
			io.WriteString(w, "\n")
		}
		a.printMoved(w, p.clock, resp)
	})
	if err == nil {
		err = a.tellPicture(&f.picture, r.resp.GetPicture())
	}
	return err
}

// tellRepair prints what breaks and how to mend it; errNo if a job has no place.
func (a *app) tellRepair(p *place, r repaired) error {
	err := a.answer(r.resp, func(w io.Writer) {
		a.printRepair(w, p.clock, r)
		a.printRepairNext(w, p.clock, r)
	})
	if err == nil {
		err = a.tellPicture(&r.flags.picture, r.resp.GetPicture())
	}
	if err == nil && len(homeless(r.resp.GetJobs())) > 0 {
		err = errNo
	}
	return err
}

// proposeRepair asks for a repair, and keeps it if that was asked for.
func (a *app) proposeRepair(ctx context.Context, p *place, f *repairFlags) (repaired, error) {
	r := repaired{flags: f}
	var err error
	if r.req, err = a.repairRequest(ctx, p, f); err != nil {
		return r, err
	}
	if r.req.Picture, err = a.style(&f.picture); err != nil {
		return r, err
	}
	if r.resp, err = p.Arrangements.ProposeRepair(ctx, r.req); err != nil {
		return r, err
	}
	if f.to != "" && len(r.resp.GetJobs()) > len(homeless(r.resp.GetJobs())) {
		if err := keep(f.to, r.arrangement(p)); err != nil {
			return r, err
		}
		r.file = f.to
	}
	if a.structured() {
		return r, nil
	}
	for _, j := range r.resp.GetJobs() {
		d, err := p.differenceFor(ctx, j)
		if err != nil {
			return r, err
		}
		r.changes = append(r.changes, d)
	}
	return r, nil
}

// arrangement is the repair as it is booked: with what happened, so that the
// jobs keep it.
func (r repaired) arrangement(p *place) *bayholdv1.BookArrangementRequest {
	out := &bayholdv1.BookArrangementRequest{Parent: p.site.GetName(), Jobs: r.resp.GetJobs(), Reason: r.flags.reason}
	if o := r.req.GetOverrun(); o != nil {
		out.Overruns = []*bayholdv1.Overrun{o}
	}
	if !r.flags.newPromises {
		return out
	}
	out.Jobs = nil
	for _, j := range r.resp.GetJobs() {
		if mustRing(j) {
			j = proto.CloneOf(j)
			j.PromiseTime = j.GetPlan().GetHandBackTime()
		}
		out.Jobs = append(out.Jobs, j)
	}
	return out
}
