package cli

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// links is the collection that names of links are made of.
const links = "links"

func (a *app) boardLinkCommand() *cobra.Command {
	var title, calendar string
	cmd := a.command(verb{
		use: "link --title TITLE", short: "Make a secret address for a screen, or for a calendar program",
		long: `Make an address under which the board can be read without a token, for a screen
on the wall; or with --calendar an address of the bookings of a bay, technician
or tool, for calendar programs. Whoever knows the address can read it. It is
shown once: only its hash is kept. The path goes behind the address that the
server serves the board on.`,
		example: `  bayhold board link --title hall
  bayhold board link --title "Mira's telephone" --calendar technicians/mira-osei`,
		args: cobra.NoArgs,
		run:  func(ctx context.Context, _ []string) error { return a.boardLink(ctx, title, calendar) },
	})
	cmd.Flags().StringVar(&title, "title", "", "where it hangs or who has it, for people")
	cmd.Flags().StringVar(&calendar, "calendar", "", "`resource` whose calendar it tells: an id, or bays/ID, tools/ID or technicians/ID")
	require(cmd, "title")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) boardLink(ctx context.Context, title, calendar string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	resp, err := act(ctx, a, bayholdv1.BoardService_CreateLink_FullMethodName, &bayholdv1.CreateLinkRequest{},
		func(requestID string) (*bayholdv1.CreateLinkRequest, error) {
			req := &bayholdv1.CreateLinkRequest{Parent: p.site.GetName(), DisplayName: title, RequestId: requestID}
			if calendar != "" {
				if req.Calendar, err = a.resource(ctx, p, calendar); err != nil {
					return nil, err
				}
			}
			return req, nil
		}, p.Boards.CreateLink)
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) {
		l := resp.GetLink()
		if resp.GetPath() == "" {
			fmt.Fprintf(w, "Link %s, %q, was made before; its path was shown then and is kept nowhere.\n", id(l.GetName()), l.GetDisplayName())
			fmt.Fprintf(w, "Lost it? Revoke it and make another: %s\n", a.again("board", "revoke", id(l.GetName())))
			return
		}
		fmt.Fprintf(w, "Link %s, %q. Its path on the server's board is shown this once:\n\n%s\n\n", id(l.GetName()), l.GetDisplayName(), resp.GetPath())
		fmt.Fprintf(w, "Revoke it: %s\n", a.again("board", "revoke", id(l.GetName())))
	})
}

func (a *app) boardLinksCommand() *cobra.Command {
	return a.command(verb{
		use: "links", short: "List the secret addresses that were made",
		long:    "List the links to boards and calendars, the newest first, revoked ones too.",
		example: "  bayhold board links",
		args:    cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			resp, err := p.Boards.ListLinks(ctx, &bayholdv1.ListLinksRequest{Parent: p.site.GetName()})
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) { a.printLinks(w, p.clock, resp.GetLinks()) })
		},
	})
}

func (a *app) printLinks(w io.Writer, c clock, list []*bayholdv1.Link) {
	if len(list) == 0 {
		fmt.Fprintf(w, "There are no links. Make one: %s\n", a.again("board", "link", "--title", "hall"))
		return
	}
	t := table{cols: []column{{title: "link"}, {title: "title", wrap: true}, {title: "shows"}, {title: "made"}, {title: "by", drop: 1}, {title: "revoked"}}}
	for _, l := range list {
		shows := "board"
		if l.GetCalendar() != "" {
			shows = "calendar of " + id(l.GetCalendar())
		}
		t.add(id(l.GetName()), l.GetDisplayName(), shows, c.at(l.GetCreateTime()), l.GetCreator(), c.at(l.GetRevokeTime()))
	}
	writeTable(w, t, a.width())
}

func (a *app) boardRevokeCommand() *cobra.Command {
	cmd := a.command(verb{
		use: "revoke LINK", short: "End a secret address for good",
		long: "End a link: from now on nothing is found at its address. Its number is told by\nboard links.",
		example: `  bayhold board link --title hall
  bayhold board revoke 1`,
		args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			name, err := p.name(links, args[0])
			if err != nil {
				return err
			}
			resp, err := act(ctx, a, bayholdv1.BoardService_RevokeLink_FullMethodName, &bayholdv1.RevokeLinkRequest{},
				func(requestID string) (*bayholdv1.RevokeLinkRequest, error) {
					return &bayholdv1.RevokeLinkRequest{Name: name, RequestId: requestID}, nil
				}, p.Boards.RevokeLink)
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) {
				fmt.Fprintf(w, "Link %s, %q, opens nothing any more.\n", id(resp.GetLink().GetName()), resp.GetLink().GetDisplayName())
			})
		},
	})
	a.requestIDFlag(cmd)
	return cmd
}
