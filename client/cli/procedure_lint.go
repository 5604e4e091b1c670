package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) procedureLintCommand() *cobra.Command {
	return a.command(verb{
		use: "lint FILE...", short: "Judge the preparations and procedures of workshop files",
		long: `Judge the preparations and procedures of workshop files (YAML) against the site,
by file and line, and write nothing. Faults keep a file from being imported;
advice is what looks doubtful. A directory stands for the .yaml files in it, "-"
for standard input. The exit code is 0 without faults, be there advice or not,
and 2 with faults; the answer is on standard output in both cases.`,
		example: `  bayhold procedure lint testdata/demo/orlo.yaml
  bayhold procedure lint testdata/demo/ --output json`,
		args: cobra.MinimumNArgs(1),
		run:  a.procedureLint,
	})
}

func (a *app) procedureLint(ctx context.Context, args []string) error {
	files, err := a.readFiles(args)
	if err != nil {
		return err
	}
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	resp, err := p.Procedures.LintProcedures(ctx, &bayholdv1.LintProceduresRequest{Parent: p.site.GetName(), Files: files})
	if err != nil {
		return err
	}
	faults, advice := sortFindings(resp.GetFindings())
	err = a.answer(resp, func(w io.Writer) { a.printFindings(w, len(files), faults, advice) })
	if err == nil && len(faults) > 0 {
		err = errFaulty
	}
	return err
}

// sortFindings tells what cannot be accepted from what is only doubtful.
func sortFindings(list []*bayholdv1.LintFinding) (faults, advice []*bayholdv1.LintFinding) {
	for _, f := range list {
		if f.GetFault() {
			faults = append(faults, f)
		} else {
			advice = append(advice, f)
		}
	}
	return faults, advice
}
