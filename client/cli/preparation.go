package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) preparationCommand() *cobra.Command {
	return a.group("preparation", "States of the engine that procedures need", "  bayhold preparation list",
		a.command(verb{
			use: "list", short: "List the preparations", example: "  bayhold preparation list",
			args: cobra.NoArgs, run: a.preparationList,
		}),
		a.command(verb{
			use: "show PREPARATION", short: "Show a preparation with its steps",
			example: `  bayhold preparation show orlo-battery-isolated`,
			args:    cobra.ExactArgs(1), run: a.preparationShow,
		}),
	)
}

func (a *app) preparationList(ctx context.Context, _ []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	out := &bayholdv1.ListPreparationsResponse{}
	err = all(func(token string) (string, error) {
		page, err := p.Procedures.ListPreparations(ctx, &bayholdv1.ListPreparationsRequest{
			Parent: p.site.GetName(), PageSize: pages, PageToken: token,
		})
		out.Preparations = append(out.Preparations, page.GetPreparations()...)
		return page.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return a.answer(out, func(w io.Writer) { a.printPreparations(w, out.GetPreparations()) })
}

func (a *app) preparationShow(ctx context.Context, args []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	name, err := p.name(preparations, args[0])
	if err != nil {
		return err
	}
	resp, err := p.Procedures.GetPreparation(ctx, &bayholdv1.GetPreparationRequest{Name: name})
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printPreparation(w, resp.GetPreparation()) })
}
