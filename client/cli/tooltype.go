package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) toolTypeCommand() *cobra.Command {
	return a.group("tooltype", "What special tools can do", "  bayhold tooltype list",
		a.command(verb{
			use: "list", short: "List the tool types", example: "  bayhold tooltype list",
			args: cobra.NoArgs, run: a.toolTypeList,
		}),
		a.command(verb{
			use: "show TYPE", short: "Show a tool type and what a set consists of",
			example: `  bayhold tooltype show tw-40-200`,
			args:    cobra.ExactArgs(1), run: a.toolTypeShow,
		}),
		a.toolTypeAddCommand(), a.toolTypeChangeCommand(),
	)
}

// allToolTypes reads every tool type of the site.
func (p *place) allToolTypes(ctx context.Context) (*bayholdv1.ListToolTypesResponse, error) {
	out := &bayholdv1.ListToolTypesResponse{}
	err := all(func(token string) (string, error) {
		page, err := p.Tools.ListToolTypes(ctx, &bayholdv1.ListToolTypesRequest{
			Parent: p.site.GetName(), PageSize: pages, PageToken: token,
		})
		out.ToolTypes = append(out.ToolTypes, page.GetToolTypes()...)
		return page.GetNextPageToken(), err
	})
	return out, err
}

func (a *app) toolTypeList(ctx context.Context, _ []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	out, err := p.allToolTypes(ctx)
	if err != nil {
		return err
	}
	return a.answer(out, func(w io.Writer) { a.printToolTypes(w, out.GetToolTypes()) })
}

func (a *app) toolTypeShow(ctx context.Context, args []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	name, err := p.name(toolTypes, args[0])
	if err != nil {
		return err
	}
	resp, err := p.Tools.GetToolType(ctx, &bayholdv1.GetToolTypeRequest{Name: name})
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printToolType(w, resp.GetToolType()) })
}
