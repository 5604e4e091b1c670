package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) siteCommand() *cobra.Command {
	return a.group("site", "Workshop addresses", "  bayhold site list",
		a.command(verb{
			use: "list", short: "List every site", example: "  bayhold site list",
			args: cobra.NoArgs, run: a.siteList,
		}),
		a.command(verb{
			use: "show [SITE]", short: "Show a site",
			long: "Show a site: the one named here, by --site, or the only one.",
			example: `  bayhold site show
  bayhold site show quillgate`,
			args: cobra.MaximumNArgs(1), run: a.siteShow,
		}),
		a.siteChangeCommand(), a.siteTemplateCommand(),
	)
}

func (a *app) siteList(ctx context.Context, _ []string) error {
	conn, err := a.dial()
	if err != nil {
		return err
	}
	out := &bayholdv1.ListSitesResponse{}
	err = all(func(token string) (string, error) {
		page, err := conn.Sites.ListSites(ctx, &bayholdv1.ListSitesRequest{PageSize: pages, PageToken: token})
		out.Sites = append(out.Sites, page.GetSites()...)
		return page.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return a.answer(out, func(w io.Writer) { a.printSites(w, out.GetSites()) })
}

func (a *app) siteShow(ctx context.Context, args []string) error {
	if len(args) == 1 {
		a.set.site = args[0]
	}
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	return a.answer(&bayholdv1.GetSiteResponse{Site: p.site}, func(w io.Writer) { a.printSite(w, p.site) })
}

func (a *app) siteChangeCommand() *cobra.Command {
	var name, zone string
	var cmd *cobra.Command
	cmd = a.command(verb{
		use: "change [SITE]", short: "Change a site's name or time zone",
		example: `  bayhold site change --name "Harbour workshop"` + "\n  bayhold site change --time-zone Europe/Berlin",
		args:    cobra.MaximumNArgs(1),
		run: func(ctx context.Context, args []string) error {
			if len(args) == 1 {
				a.set.site = args[0]
			}
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			site := &bayholdv1.Site{Name: p.site.GetName(), DisplayName: name, TimeZone: zone}
			mask, err := maskOf(cmd, map[string]string{"name": "display_name", "time-zone": "time_zone"})
			if err != nil {
				return err
			}
			resp, err := act(ctx, a, bayholdv1.SiteService_UpdateSite_FullMethodName, &bayholdv1.UpdateSiteRequest{},
				func(requestID string) (*bayholdv1.UpdateSiteRequest, error) {
					return &bayholdv1.UpdateSiteRequest{Site: site, UpdateMask: mask, RequestId: requestID}, nil
				}, p.Sites.UpdateSite)
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) { a.printSite(w, resp.GetSite()) })
		},
	})
	cmd.Flags().StringVar(&name, "name", "", "name for people")
	cmd.Flags().StringVar(&zone, "time-zone", "", "IANA `zone`, such as Europe/Berlin")
	a.requestIDFlag(cmd)
	return cmd
}

// maskOf gives the fields whose flags were used. Using none is an error.
func maskOf(cmd *cobra.Command, fieldOf map[string]string) (*fieldmaskpb.FieldMask, error) {
	mask := &fieldmaskpb.FieldMask{}
	for flag, field := range fieldOf {
		if cmd.Flags().Changed(flag) {
			mask.Paths = append(mask.Paths, field)
		}
	}
	if len(mask.Paths) == 0 {
		return nil, usage("nothing to change: no flag says what").try("%s --help", cmd.CommandPath())
	}
	mask.Normalize()
	return mask, nil
}
