package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) calibrationAuditCommand() *cobra.Command {
	var from, until, to string
	var html bool
	cmd := a.command(verb{
		use: "audit --from TIME --until TIME", short: "Show how calibration stood in a time, for an auditor",
		long: `Show every tool that needed calibration: its certificates and checks of that
time, when they kept it in calibration, the days on which it was in use outside
it with the steps of each, and the lines of reverse traces about which nothing
was decided. A date that was set by hand proves nothing here. It is text, JSON
with --output json, or with --html a page to print on A4; --to writes it to a
file, over an older one. A date alone is the start of that day for --from, its
end for --until.`,
		example: `  bayhold calibration audit --from 2026-01-01 --until 2026-11-30
  bayhold calibration audit --from 2026-01-01 --until 2026-11-30 --html --to audit.html`,
		args: cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error {
			switch {
			case from == "" || until == "":
				return usage("--from and --until are both needed").try("bayhold calibration audit --from 2026-01-01 --until 2026-11-30")
			case to != "" && !html:
				return usage("--to goes with --html")
			}
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			during, err := a.period(p.clock, from, until)
			if err != nil {
				return err
			}
			if html {
				return a.auditPage(ctx, p, during, to)
			}
			resp, err := p.Calibration.AuditCalibration(ctx, &bayholdv1.AuditCalibrationRequest{Parent: p.site.GetName(), During: during})
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) { a.printAudit(w, p.clock, during, resp) })
		},
	})
	fl := cmd.Flags()
	fl.StringVar(&from, "from", "", "start of the `time`")
	fl.StringVar(&until, "until", "", "end of the `time`")
	fl.BoolVar(&html, "html", false, "as an HTML page fit for A4")
	fl.StringVar(&to, "to", "", "with --html: write it to this `file`")
	return cmd
}

func (a *app) auditPage(ctx context.Context, p *place, during *bayholdv1.TimeRange, to string) error {
	resp, err := p.Traces.GetAuditPage(ctx, &bayholdv1.GetAuditPageRequest{Parent: p.site.GetName(), During: during})
	if err != nil {
		return err
	}
	return a.deliver(resp, to, "The auditor's page")
}
