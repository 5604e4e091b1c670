package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// whereFlags narrow the list of places.
type whereFlags struct {
	out, late bool
	with      string
}

func (a *app) toolWhereCommand() *cobra.Command {
	var f whereFlags
	cmd := a.command(verb{
		use: "where [TOOL...]", short: "Where tools are, with whom, since when and until when",
		long: `Tell where every tool is: who has it since when, what for and until when, or
where it is kept; and who waits for one that is late. RETIRED tools are shown
only if they are named. "-" reads tags from standard input.`,
		example: `  bayhold tool where
  bayhold tool where LS-ORLO-1
  bayhold tool where --late
  bayhold tool where --with jonas-vell`,
		run: func(ctx context.Context, args []string) error { return a.toolWhere(ctx, f, args) },
	})
	fl := cmd.Flags()
	fl.BoolVar(&f.out, "out", false, "only tools that somebody has")
	fl.BoolVar(&f.late, "late", false, "only tools that should be back")
	fl.StringVar(&f.with, "with", "", "only tools that this `technician` has")
	return cmd
}

func (a *app) toolWhere(ctx context.Context, f whereFlags, args []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	req := &bayholdv1.WhereAreToolsRequest{Parent: p.site.GetName(), PageSize: pages, OutOnly: f.out, LateOnly: f.late}
	if len(args) > 0 {
		if args, err = a.scanned(args); err != nil {
			return err
		}
	}
	if req.Tools, err = p.names(tools, args); err != nil {
		return err
	}
	if req.Technician, err = p.maybeName(technicians, f.with); err != nil {
		return err
	}
	out := &bayholdv1.WhereAreToolsResponse{}
	err = all(func(token string) (string, error) {
		req.PageToken = token
		page, err := p.Issues.WhereAreTools(ctx, req)
		out.Places = append(out.Places, page.GetPlaces()...)
		return page.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return a.answer(out, func(w io.Writer) { a.printPlaces(w, p.clock, req, out.GetPlaces()) })
}

func (a *app) toolHistoryCommand() *cobra.Command {
	var limit int32
	cmd := a.command(verb{
		use: "history TOOL", short: "Who had a tool, and in which condition it was",
		example: `  bayhold tool history LS-ORLO-1`,
		args:    cobra.MaximumNArgs(1),
		run: func(ctx context.Context, args []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			name, err := a.toolNamed(p, args)
			if err != nil {
				return err
			}
			resp, err := p.Issues.GetToolHistory(ctx, &bayholdv1.GetToolHistoryRequest{Name: name, Limit: limit})
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) { a.printHistory(w, p.clock, id(name), resp) })
		},
	})
	cmd.Flags().Int32Var(&limit, "limit", 0, "how many entries of each `kind` at the most (default 100)")
	return cmd
}

// toolNamed gives the full name of the one tool that a command is about.
func (a *app) toolNamed(p *place, args []string) (string, error) {
	word, err := a.scannedOne(args)
	if err != nil {
		return "", err
	}
	return p.name(tools, word)
}
