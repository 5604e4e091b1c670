package cli

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) jobCommand() *cobra.Command {
	return a.group("job", "Check, find, book and follow jobs", "  bayhold job list",
		a.jobCheckCommand(), a.jobFindCommand(), a.jobExplainCommand(), a.jobBookCommand(),
		a.jobConfirmCommand(), a.jobCancelCommand(),
		a.command(verb{
			use: "show JOB", short: "Show a job with its steps and bookings", example: `  bayhold job show 15`,
			args: cobra.ExactArgs(1), run: a.jobShow,
		}),
		a.jobListCommand(),
		a.jobForecastCommand(), a.jobArrangeCommand(), a.jobMoveCommand(), a.jobRepairCommand(),
		a.jobPartsCommand(), a.jobPartCommand(), a.jobWhileOpenCommand(), a.jobSheetCommand(),
		a.jobDelayCommand(), a.jobRecordCommand(), a.jobCloseCommand(),
	)
}

func (a *app) jobConfirmCommand() *cobra.Command {
	cmd := a.command(verb{
		use: "confirm JOB", short: "Make a tentative job firm", example: `  bayhold job book --reference W-3010 -p velde-belt-check --from tomorrow --tentative 2d
  bayhold job confirm 17`,
		args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			p, name, err := a.jobName(ctx, args[0])
			if err != nil {
				return err
			}
			resp, err := act(ctx, a, bayholdv1.BookingService_ConfirmJob_FullMethodName, &bayholdv1.ConfirmJobRequest{},
				func(requestID string) (*bayholdv1.ConfirmJobRequest, error) {
					return &bayholdv1.ConfirmJobRequest{Name: name, RequestId: requestID}, nil
				}, p.Bookings.ConfirmJob)
			if err != nil {
				return a.lost(err, a.again("job", "show", id(name)))
			}
			return a.answer(resp, func(w io.Writer) { a.printJob(w, p.clock, resp.GetJob()) })
		},
	})
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) jobCancelCommand() *cobra.Command {
	var reason string
	cmd := a.command(verb{
		use: "cancel JOB", short: "Give up all bookings of a job",
		long: `Give up all bookings of a job, or of a reservation. Who is only a technician
gives up what they have reserved themselves; anything else is a manager's.`,
		example: `  bayhold job cancel 15 --reason "customer called off"`,
		args:    cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			p, name, err := a.jobName(ctx, args[0])
			if err != nil {
				return err
			}
			resp, err := act(ctx, a, bayholdv1.BookingService_CancelJob_FullMethodName, &bayholdv1.CancelJobRequest{},
				func(requestID string) (*bayholdv1.CancelJobRequest, error) {
					return &bayholdv1.CancelJobRequest{Name: name, RequestId: requestID, Reason: reason}, nil
				}, p.Bookings.CancelJob)
			if err != nil {
				return a.lost(err, a.again("job", "show", id(name)))
			}
			return a.answer(resp, func(w io.Writer) { a.printJob(w, p.clock, resp.GetJob()) })
		},
	})
	cmd.Flags().StringVar(&reason, "reason", "", "why, for the record")
	a.requestIDFlag(cmd)
	return cmd
}

// jobName gives the site and the full name of a job.
func (a *app) jobName(ctx context.Context, word string) (*place, string, error) {
	p, err := a.at(ctx)
	if err != nil {
		return nil, "", err
	}
	name, err := p.name(jobs, word)
	return p, name, err
}

func (a *app) jobShow(ctx context.Context, args []string) error {
	p, name, err := a.jobName(ctx, args[0])
	if err != nil {
		return err
	}
	resp, err := p.Jobs.GetJob(ctx, &bayholdv1.GetJobRequest{Name: name})
	if err != nil {
		return err
	}
	if a.structured() {
		return a.answer(resp, nil)
	}
	held := &bayholdv1.ListBookingsResponse{}
	if during := resp.GetJob().GetPlanned(); during != nil {
		held, err = p.listBookings(ctx, &bayholdv1.ListBookingsRequest{Job: name, During: during, ShowCancelled: true})
		if err != nil {
			return err
		}
	}
	return a.print(func(w io.Writer) {
		a.printJobFacts(w, p.clock, resp.GetJob())
		a.printHints(w, resp.GetJob())
		a.printJobSteps(w, p.clock, resp.GetJob())
		if len(held.GetBookings()) > 0 {
			fmt.Fprintln(w)
			writeTable(w, claimTable(p.clock, claimsOf(p.clock, byResource(held.GetBookings()))), a.width())
		}
	})
}

// listJobs reads every job that a request asks for, of this site.
func (p *place) listJobs(ctx context.Context, req *bayholdv1.ListJobsRequest) (*bayholdv1.ListJobsResponse, error) {
	req.Parent, req.PageSize = p.site.GetName(), pages
	out := &bayholdv1.ListJobsResponse{}
	err := all(func(token string) (string, error) {
		req.PageToken = token
		page, err := p.Jobs.ListJobs(ctx, req)
		out.Jobs = append(out.Jobs, page.GetJobs()...)
		return page.GetNextPageToken(), err
	})
	return out, err
}

func (a *app) jobListCommand() *cobra.Command {
	var f listFlags
	cmd := a.command(verb{
		use: "list", short: "List jobs that touch a time",
		example: `  bayhold job list
  bayhold job list --from mon --until +2w`,
		args: cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			during, err := f.period(a, p.clock)
			if err != nil {
				return err
			}
			out, err := p.listJobs(ctx, &bayholdv1.ListJobsRequest{During: during, ShowCancelled: f.all})
			if err != nil {
				return err
			}
			return a.answer(out, func(w io.Writer) {
				if len(out.GetJobs()) == 0 {
					a.none(w, "jobs "+p.clock.rangeOf(during))
					return
				}
				writeTable(w, jobTable(p.clock, out.GetJobs()), a.width())
			})
		},
	})
	f.register(cmd)
	return cmd
}
