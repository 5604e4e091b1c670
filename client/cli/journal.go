package cli

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"bayhold/client/dial"
)

const journalLong = `What is recorded of a job is first written to a local journal and then sent. If
the server cannot be reached it stays there, with its own time and request id,
and is sent in order with the next command that records something, or by
journal send. A record that the server refuses stays too, with its reason, and
keeps back what comes after it of the same job: settle it and send again, or
drop it.`

func (a *app) journalCommand() *cobra.Command {
	g := a.group("journal", "What is recorded and not sent yet", "  bayhold journal list",
		a.command(verb{
			use: "list", short: "Show what waits to be sent", example: "  bayhold journal list", args: cobra.NoArgs,
			run: func(context.Context, []string) error { return a.journalList() },
		}),
		a.command(verb{
			use: "send", short: "Send what waits, in order", example: "  bayhold journal send", args: cobra.NoArgs,
			run: func(ctx context.Context, _ []string) error { return a.journalSend(ctx) },
		}),
		a.command(verb{
			use: "drop ID", short: "Give a record up: it is never sent",
			long:    "Give a record up: it is never sent. journal list tells its id, the beginning of\nwhich is enough.",
			example: "  bayhold journal drop 4f0c3c1e", args: cobra.ExactArgs(1),
			run: func(ctx context.Context, args []string) error { return a.journalDrop(ctx, args[0]) },
		}),
	)
	g.Long = journalLong
	return g
}

func (a *app) journalList() error {
	list, err := a.outbox().Pending()
	if err != nil {
		return a.journalProblem(err)
	}
	if a.structured() {
		if list == nil {
			list = []dial.Kept{}
		}
		return a.writeDocument(a.streams.Out, map[string]any{"pending": list})
	}
	return a.print(func(w io.Writer) { a.printJournal(w, list) })
}

func (a *app) printJournal(w io.Writer, list []dial.Kept) {
	if len(list) == 0 {
		fmt.Fprintln(w, "Nothing waits: everything that was recorded is with the server.")
		return
	}
	t := table{cols: []column{{title: "id"}, {title: "recorded"}, {title: "what", wrap: true}, {title: "stands", wrap: true}, {title: "server", drop: 1}}}
	for _, k := range list {
		stands := "not sent"
		if k.Refused != "" {
			stands = "REFUSED: " + k.Refused
		}
		t.add(shortID(k.ID), k.At.Local().Format("Mon 02 Jan 15:04"), k.Words, stands, k.Server)
	}
	writeTable(w, t, a.width())
}

func shortID(id string) string { return id[:min(8, len(id))] }

func (a *app) journalSend(ctx context.Context) error {
	if _, err := a.dial(); err != nil {
		return err
	}
	p := &place{Conn: a.conn, clock: clock{now: a.now()}}
	box, err := a.outbox().Open(ctx)
	if err != nil {
		return a.journalProblem(err)
	}
	defer func() { _ = box.Close() }()
	a.sendBefore(ctx, p, box, box.Kept())
	left := box.Kept()
	if a.structured() {
		if err := a.writeDocument(a.streams.Out, map[string]any{"pending": left}); err != nil {
			return err
		}
	} else if err := a.print(func(w io.Writer) { a.printJournal(w, left) }); err != nil {
		return err
	}
	if len(left) > 0 {
		return errKept
	}
	return nil
}

func (a *app) journalDrop(ctx context.Context, word string) error {
	box, err := a.outbox().Open(ctx)
	if err != nil {
		return a.journalProblem(err)
	}
	defer func() { _ = box.Close() }()
	var found []dial.Kept
	for _, k := range box.Kept() {
		if len(word) >= 4 && len(k.ID) >= len(word) && k.ID[:len(word)] == word {
			found = append(found, k)
		}
	}
	if len(found) != 1 {
		return usage("%d records in the journal begin with %q: give at least four characters of one", len(found), word).try("%s", a.again("journal", "list"))
	}
	if err := box.Gone(found[0].ID); err != nil {
		return a.journalProblem(err)
	}
	if a.structured() {
		return a.writeDocument(a.streams.Out, map[string]any{"dropped": found[0], "pending": len(box.Kept())})
	}
	return a.print(func(w io.Writer) {
		writeText(w, fmt.Sprintf("Dropped, and never sent: %s of %s.", found[0].Words, found[0].At.Local().Format("Mon 02 Jan 15:04")), a.width())
	})
}
