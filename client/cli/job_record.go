package cli

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) jobRecordCommand() *cobra.Command {
	var f sheetFlags
	cmd := a.command(verb{
		use: "record JOB", short: "Print what was done: who, when, with which tool",
		long: `Print the record of a job: who did what when, every reading with its limits, its
tool and the certificate that held then, parts, signatures, hold points, what
was let pass and why. It is text, or with --html a page to print and keep; with
--output json it has every field. --to writes it to a file, over an older one.`,
		example: `  bayhold job record 13
  bayhold job record 13 --html --to record-13.html`,
		args: cobra.ExactArgs(1),
		run:  func(ctx context.Context, args []string) error { return a.jobRecord(ctx, f, args[0]) },
	})
	cmd.Flags().BoolVar(&f.html, "html", false, "as an HTML page fit for A4")
	cmd.Flags().StringVar(&f.to, "to", "", "write it to this `file`")
	return cmd
}

func (a *app) jobRecord(ctx context.Context, f sheetFlags, job string) error {
	p, name, err := a.jobName(ctx, job)
	if err != nil {
		return err
	}
	req := &bayholdv1.GetJobRecordRequest{Name: name, Format: bayholdv1.SheetFormat_SHEET_FORMAT_TEXT}
	if f.html {
		req.Format = bayholdv1.SheetFormat_SHEET_FORMAT_HTML
	}
	resp, err := p.Records.GetJobRecord(ctx, req)
	if err != nil {
		return err
	}
	return a.deliver(resp, f.to, "The record of job "+id(name))
}

func (a *app) jobCloseCommand() *cobra.Command {
	var f recordFlags
	cmd := a.command(verb{
		use: "close JOB", short: "End the record of a job, and free its bay",
		long: `End the record of a job: every step must be done and signed or waived, every
tool returned. Nothing more is recorded of it then.`,
		example: `  bayhold job close 15 --note "handed over, invoice 881"  # refused: its steps are not done`, args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			t, err := a.aimAt(ctx, args[0], "", &f)
			if err != nil {
				return err
			}
			return a.outcome(ctx, t, bayholdv1.RecordService_CloseJob_FullMethodName, &bayholdv1.CloseJobRequest{
				Name: t.job, ActTime: t.at, Note: f.note, RequestId: t.id,
			})
		},
	})
	cmd.Flags().StringVar(&f.at, "at", "", "`time` at which it was handed back (default now)")
	cmd.Flags().StringVar(&f.note, "note", "", "for the record")
	a.requestIDFlag(cmd)
	return cmd
}

// delayFlags say what takes longer, and what to do about it.
type delayFlags struct {
	recordFlags
	repair repairFlags
}

func (a *app) jobDelayCommand() *cobra.Command {
	var f delayFlags
	cmd := a.command(verb{
		use: "delay JOB/STEP MORE --reason TEXT", short: "Say that a step takes longer, and see what that breaks",
		long: `Record that a step takes so many working minutes longer, and tell at once which
bookings and promises break, the repair that moves the fewest, and whom to ring.
--book accepts the repair in the same command.`,
		example: `  bayhold step start 15/battery-off --as tove-anker
  bayhold job delay 15/battery-off +4h --reason "a bolt will not move"`,
		args: cobra.ExactArgs(2),
		run:  func(ctx context.Context, args []string) error { return a.jobDelay(ctx, &f, args[0], args[1]) },
	})
	a.recordFlags(cmd, &f.recordFlags)
	cmd.Flags().StringVar(&f.note, "reason", "", "why")
	cmd.Flags().BoolVar(&f.repair.book, "book", false, "book the repair at once")
	cmd.Flags().StringVar(&f.repair.to, "to", "", "keep the repair in this `file`, to book it")
	cmd.Flags().BoolVar(&f.repair.newPromises, "new-promises", false, newPromisesHelp)
	return cmd
}

func (a *app) jobDelay(ctx context.Context, f *delayFlags, word, more string) error {
	minutes, ok := readMinutes(trimPlus(more))
	if !ok {
		return usage("%q is no length of time; write minutes, or 4h", more)
	}
	if err := f.repair.promising(); err != nil {
		return err
	}
	t, err := a.aim(ctx, word, &f.recordFlags)
	if err != nil {
		return err
	}
	req := &bayholdv1.ReportDelayRequest{
		Name: t.job, Step: t.step, Technician: t.technician, ActTime: t.at, ExtraMinutes: minutes, Reason: f.note, RequestId: t.id,
	}
	resp := &bayholdv1.ReportDelayResponse{}
	if err := a.send(ctx, t.place, bayholdv1.RecordService_ReportDelay_FullMethodName, t.job, "job delay "+word+" "+more, req, resp); err != nil {
		return a.refusedStep(err, t)
	}
	f.repair.overrun = fmt.Sprintf("%s/%s=+%d", id(t.job), resp.GetOutcome().GetStep(), minutes)
	f.repair.reason = f.note
	a.request = "" // the repair is an act of its own
	return a.jobRepair(ctx, &f.repair)
}

func trimPlus(s string) string {
	if s != "" && s[0] == '+' {
		return s[1:]
	}
	return s
}
