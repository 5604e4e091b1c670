package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) familyCommand() *cobra.Command {
	return a.group("family", "Engine families", "  bayhold family list",
		a.command(verb{
			use: "list", short: "List the engine families", example: "  bayhold family list",
			args: cobra.NoArgs, run: a.familyList,
		}),
	)
}

func (a *app) familyList(ctx context.Context, _ []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	out := &bayholdv1.ListEngineFamiliesResponse{}
	err = all(func(token string) (string, error) {
		page, err := p.Procedures.ListEngineFamilies(ctx, &bayholdv1.ListEngineFamiliesRequest{
			Parent: p.site.GetName(), PageSize: pages, PageToken: token,
		})
		out.EngineFamilies = append(out.EngineFamilies, page.GetEngineFamilies()...)
		return page.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return a.answer(out, func(w io.Writer) { a.printFamilies(w, out.GetEngineFamilies()) })
}
