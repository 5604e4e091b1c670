package cli

import (
	"context"
	"io"
	"strconv"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) jobMoveCommand() *cobra.Command {
	var file, reason string
	cmd := a.command(verb{
		use: "move --arrangement FILE", short: "Book an arrangement or a repair in one act",
		long: `Book what job arrange or job repair kept with --to: every job of it that is new
or changes, all or none. Jobs without a place are left out. If somebody else
booked first, the exit code is 5 and nothing is moved. New jobs become
confirmed; booked ones stay as firm as they are.`,
		example: `  bayhold job arrange --new W-3011=velde-belt-check@+1w --to plan.json
  bayhold job move --arrangement plan.json --reason "as asked for"`,
		args: cobra.NoArgs,
		run:  func(ctx context.Context, _ []string) error { return a.jobMove(ctx, file, reason) },
	})
	cmd.Flags().StringVar(&file, "arrangement", "", "`file` that job arrange or job repair wrote; - for standard input")
	cmd.Flags().StringVar(&reason, "reason", "", "why, for the record")
	require(cmd, "arrangement")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) jobMove(ctx context.Context, file, reason string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	resp, err := a.bookArrangement(ctx, p, func() (*bayholdv1.BookArrangementRequest, error) {
		req, err := a.arrangementFromFile(p, file)
		if err != nil {
			return nil, err
		}
		for _, j := range homeless(req.GetJobs()) {
			a.note("%s has no place and is left out.", j.GetReference())
		}
		if req.Jobs, err = p.worthBooking(ctx, req.GetJobs()); err != nil {
			return nil, err
		}
		req.Reason = first(reason, req.GetReason())
		return req, nil
	}, arrangeAgain)
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printMoved(w, p.clock, resp) })
}

// bookArrangement books what build gives; again gives the words of the command
// that finds something else, should somebody have booked first.
func (a *app) bookArrangement(
	ctx context.Context, p *place, build func() (*bayholdv1.BookArrangementRequest, error),
	again func(c clock, sent *bayholdv1.BookArrangementRequest) []string,
) (*bayholdv1.BookArrangementResponse, error) {
	sent := &bayholdv1.BookArrangementRequest{} // holds the request that was kept, if one is sent again
	resp, err := act(ctx, a, bayholdv1.ArrangementService_BookArrangement_FullMethodName, sent,
		func(requestID string) (*bayholdv1.BookArrangementRequest, error) {
			req, err := build()
			if err != nil {
				return nil, err
			}
			if len(req.GetJobs()) == 0 {
				return nil, usage("there is nothing to book: no job is new or changes")
			}
			req.RequestId, sent = requestID, req
			return req, nil
		}, p.Arrangements.BookArrangement)
	if err != nil && len(sent.GetJobs()) > 0 {
		return nil, a.lost(err, a.again(again(p.clock, sent)...))
	}
	return resp, err
}

// arrangeAgain gives the command that looks for other places for the same jobs.
func arrangeAgain(c clock, sent *bayholdv1.BookArrangementRequest) []string {
	if overruns := sent.GetOverruns(); len(overruns) > 0 {
		return []string{"job", "repair", "--overrun", overrunWord(overruns[0])}
	}
	words := []string{"job", "arrange"}
	for _, j := range sent.GetJobs() {
		if j.GetJob() != "" {
			words = append(words, "--job", id(j.GetJob()))
		} else {
			words = append(words, "--new", newWord(c, j))
		}
	}
	return append(words, "--to", "FILE")
}

// newWord writes a new job as --new takes it.
func newWord(c clock, j *bayholdv1.ArrangedJob) string {
	text, joint := j.GetReference(), "="
	for _, pp := range j.GetPlan().GetProcedures() {
		text, joint = text+joint+id(pp.GetProcedure()), ","
	}
	text += "@" + c.typed(j.GetPlan().GetStartTime().AsTime())
	if j.GetPromiseTime() != nil {
		text += "/" + c.typed(j.GetPromiseTime().AsTime())
	}
	return text
}

// overrunWord writes an overrun as --overrun takes it.
func overrunWord(o *bayholdv1.Overrun) string {
	return id(o.GetJob()) + "/" + o.GetStep() + "=+" + strconv.Itoa(int(o.GetExtraMinutes()))
}
