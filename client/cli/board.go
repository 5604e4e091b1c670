package cli

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// boardFlags say which week is drawn, and how.
type boardFlags struct {
	of, svg, html string
	plain         plainFlags
}

func (a *app) boardCommand() *cobra.Command {
	var f boardFlags
	cmd := a.command(verb{
		use: "board", short: "The week drawn: bays, tools, people, what is late and what waits",
		long: `Draw a week as the wall board shows it: what stands in each bay and until when,
with the promises; where the tools are and go, the scarce ones first; who is on
what; what is late and what waits for a decision. --svg and --html write it to a
file that stands by itself, to print on A3 or to make an image of.

The first letter of a notice says what it is about: P promise, S step, H
hand-back, R return of a tool, L lapses, T parts, U cannot stand.`,
		example: `  bayhold board
  bayhold board --of +7d --ascii
  bayhold board --html week.html`,
		args: onlyCommands,
		run:  func(ctx context.Context, _ []string) error { return a.boardShow(ctx, &f) },
	})
	cmd.Flags().StringVar(&f.of, "of", "", "a `date` in the week (default now; the next week when this one's work is over)")
	cmd.Flags().StringVar(&f.svg, "svg", "", "draw the picture into this SVG `file`")
	cmd.Flags().StringVar(&f.html, "html", "", "write the page, tables too, into this HTML `file`")
	f.plain.register(cmd)
	cmd.AddCommand(a.boardUseCommand(), a.boardLinkCommand(), a.boardLinksCommand(), a.boardRevokeCommand())
	return cmd
}

func (a *app) boardShow(ctx context.Context, f *boardFlags) error {
	if f.svg != "" && f.html != "" {
		return usage("--svg and --html write one file each: give one of them")
	}
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	req := &bayholdv1.GetBoardRequest{Parent: p.site.GetName(), Picture: a.textStyle(&f.plain)}
	file := f.svg + f.html
	switch {
	case f.svg != "":
		req.Picture = &bayholdv1.PictureStyle{Format: bayholdv1.PictureFormat_PICTURE_FORMAT_SVG}
	case f.html != "":
		req.Picture = &bayholdv1.PictureStyle{Format: bayholdv1.PictureFormat_PICTURE_FORMAT_HTML}
	}
	if f.of != "" {
		day, err := a.when(p.clock, "--of", f.of, dayStart)
		if err != nil {
			return err
		}
		req.WeekOfTime = stamp(day)
	}
	resp, err := p.Boards.GetBoard(ctx, req)
	if err != nil {
		return err
	}
	if file != "" {
		if err := writeFile(file, resp.GetPicture().GetContent()); err != nil {
			return err
		}
		if !a.structured() {
			return a.print(func(w io.Writer) { fmt.Fprintf(w, "The board is in %s.\n", file) })
		}
	}
	if a.structured() {
		return a.answer(resp, nil)
	}
	if err := a.print(func(io.Writer) {}); err != nil {
		return err
	}
	return a.drawn(&f.plain, resp.GetPicture().GetContent())
}

func (a *app) boardUseCommand() *cobra.Command {
	var from string
	var weeks int32
	var f pictureFlags
	cmd := a.command(verb{
		use: "use", short: "How much of what there is is booked, week by week",
		long: `Draw, for each bay, tool type and skill, how many of the hours that could be
booked are, week by week. Only hours count in which somebody works at the site;
closures, absences and what a tool's condition or calibration forbids are taken
out. Somebody with several skills counts under each of them.`,
		example: `  bayhold board use
  bayhold board use --from -28d --weeks 12 --svg use.svg`,
		args: cobra.NoArgs,
		run:  func(ctx context.Context, _ []string) error { return a.boardUse(ctx, from, weeks, &f) },
	})
	cmd.Flags().StringVar(&from, "from", "", "a `date` in the first week (default this week)")
	cmd.Flags().Int32Var(&weeks, "weeks", 8, "how many weeks, 53 at the most")
	cmd.Flags().StringVar(&f.svg, "svg", "", "draw it into this SVG `file`")
	f.plain.register(cmd)
	return cmd
}

func (a *app) boardUse(ctx context.Context, from string, weeks int32, f *pictureFlags) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	f.show = f.svg == ""
	req := &bayholdv1.GetUseRequest{Parent: p.site.GetName(), Weeks: weeks}
	if req.Picture, err = a.style(f); err != nil {
		return err
	}
	if from != "" {
		day, err := a.when(p.clock, "--from", from, dayStart)
		if err != nil {
			return err
		}
		req.FromTime = stamp(day)
	}
	resp, err := p.Boards.GetUse(ctx, req)
	if err != nil {
		return err
	}
	if err := a.answer(resp, func(io.Writer) {}); err != nil {
		return err
	}
	return a.tellPicture(f, resp.GetPicture())
}
