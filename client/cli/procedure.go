package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) procedureCommand() *cobra.Command {
	return a.group("procedure", "Work on engine families", "  bayhold procedure list",
		a.procedureListCommand(), a.procedureShowCommand(), a.procedureDiffCommand(),
		a.procedureIssueCommand(), a.procedureWithdrawCommand(), a.procedureLintCommand(),
		a.procedureTimesCommand())
}

func (a *app) procedureListCommand() *cobra.Command {
	var family string
	cmd := a.command(verb{
		use: "list", short: "List the procedures in their newest versions",
		example: "  bayhold procedure list\n  bayhold procedure list --family orlo-20",
		args:    cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			name, err := p.maybeName(families, family)
			if err != nil {
				return err
			}
			out := &bayholdv1.ListProceduresResponse{}
			err = all(func(token string) (string, error) {
				page, err := p.Procedures.ListProcedures(ctx, &bayholdv1.ListProceduresRequest{
					Parent: p.site.GetName(), PageSize: pages, PageToken: token, EngineFamily: name,
				})
				out.Procedures = append(out.Procedures, page.GetProcedures()...)
				return page.GetNextPageToken(), err
			})
			if err != nil {
				return err
			}
			return a.answer(out, func(w io.Writer) { a.printProcedures(w, out.GetProcedures()) })
		},
	})
	cmd.Flags().StringVar(&family, "family", "", "only procedures of this engine `family`")
	return cmd
}

func (a *app) procedureShowCommand() *cobra.Command {
	var version int32
	cmd := a.command(verb{
		use: "show PROCEDURE", short: "Show a procedure with its steps",
		example: `  bayhold procedure show orlo-chain-kit
  bayhold procedure show orlo-chain-kit --version 1`,
		args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			name, err := p.name(procedures, args[0])
			if err != nil {
				return err
			}
			resp, err := p.Procedures.GetProcedure(ctx, &bayholdv1.GetProcedureRequest{Name: name, Version: version})
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) { a.printProcedure(w, resp.GetProcedure()) })
		},
	})
	cmd.Flags().Int32Var(&version, "version", 0, "which `version`; 0 is the newest")
	return cmd
}
