package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) bayCommand() *cobra.Command {
	return a.group("bay", "Places where vehicles stand", "  bayhold bay list",
		a.command(verb{
			use: "list", short: "List the bays", example: "  bayhold bay list",
			args: cobra.NoArgs, run: a.bayList,
		}),
		a.command(verb{
			use: "show BAY", short: "Show a bay with its closures", example: "  bayhold bay show bay-1",
			args: cobra.ExactArgs(1), run: a.bayShow,
		}),
		a.bayChangeCommand(),
		a.reserveCommand(bays, "bay", "bay-4", `--from "2029-03-06 8:00" --until "2029-03-06 12:00" --reference "floor paint"`),
	)
}

// allBays reads every bay of the site.
func (p *place) allBays(ctx context.Context) (*bayholdv1.ListBaysResponse, error) {
	out := &bayholdv1.ListBaysResponse{}
	err := all(func(token string) (string, error) {
		page, err := p.Bays.ListBays(ctx, &bayholdv1.ListBaysRequest{
			Parent: p.site.GetName(), PageSize: pages, PageToken: token,
		})
		out.Bays = append(out.Bays, page.GetBays()...)
		return page.GetNextPageToken(), err
	})
	return out, err
}

func (a *app) bayList(ctx context.Context, _ []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	out, err := p.allBays(ctx)
	if err != nil {
		return err
	}
	return a.answer(out, func(w io.Writer) { a.printBays(w, p.clock, out.GetBays()) })
}

func (a *app) bayShow(ctx context.Context, args []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	name, err := p.name(bays, args[0])
	if err != nil {
		return err
	}
	resp, err := p.Bays.GetBay(ctx, &bayholdv1.GetBayRequest{Name: name})
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printBay(w, p.clock, resp.GetBay()) })
}

// bayFlags are what can be changed of a bay.
type bayFlags struct {
	name     string
	features []string
	times    closureFlags
}

func (a *app) bayChangeCommand() *cobra.Command {
	var f bayFlags
	var cmd *cobra.Command
	cmd = a.command(verb{
		use: "change BAY", short: "Change a bay, close it or open it again",
		long: `Change a bay. --close adds a closure, --reopen takes a time out of the closures;
both take "FROM .. UNTIL", where a date alone is the start of that day for FROM
and its end for UNTIL, or a day by itself.`,
		example: `  bayhold bay change bay-2 --close "2029-03-06 8:00 .. 2029-03-06 12:00" --reason "floor paint"
  bayhold bay change bay-2 --features two-post-lift,engine-crane,exhaust-extraction`,
		args: cobra.ExactArgs(1),
		run:  func(ctx context.Context, args []string) error { return a.bayChange(ctx, cmd, &f, args[0]) },
	})
	cmd.Flags().StringVar(&f.name, "name", "", "name for people")
	cmd.Flags().StringSliceVar(&f.features, "features", nil, "what it has; replaces what it had")
	f.times.register(cmd, "close", "reopen", "closure")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) bayChange(ctx context.Context, cmd *cobra.Command, f *bayFlags, word string) error {
	mask, err := maskOf(cmd, map[string]string{
		"name": "display_name", "features": "features", "close": "closures", "reopen": "closures",
	})
	if err != nil {
		return err
	}
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	full, err := p.name(bays, word)
	if err != nil {
		return err
	}
	edit, err := f.times.parse(a, p.clock)
	if err != nil {
		return err
	}
	build := func(requestID string) (*bayholdv1.UpdateBayRequest, error) {
		bay := &bayholdv1.Bay{Name: full, DisplayName: f.name, Features: f.features}
		if edit.any() {
			got, err := p.Bays.GetBay(ctx, &bayholdv1.GetBayRequest{Name: full})
			if err != nil {
				return nil, err
			}
			bay.Closures = edit.apply(got.GetBay().GetClosures())
		}
		return &bayholdv1.UpdateBayRequest{Bay: bay, UpdateMask: mask, RequestId: requestID}, nil
	}
	resp, err := act(ctx, a, bayholdv1.BayService_UpdateBay_FullMethodName,
		&bayholdv1.UpdateBayRequest{}, build, p.Bays.UpdateBay)
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printBay(w, p.clock, resp.GetBay()) })
}
