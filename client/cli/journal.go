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
	send := a.command(verb{
		use: "send", short: "Send what waits, in order",
		long: `Send what waits, in order. With --dry-run the server is asked what it would do
with the first record of each job; nothing is written there or here. What comes
after the first of a job depends on it, and is not asked about.`,
		example: "  bayhold journal send\n  bayhold journal send --dry-run", args: cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error { return a.journalSend(ctx) },
	})
	drop := a.command(verb{
		use: "drop ID", short: "Give a record up: it is never sent",
		long:    "Give a record up: it is never sent. journal list tells its id, the beginning of\nwhich is enough.",
		example: `  bayhold journal drop 4f0c3c1e  # refused: nothing of that id waits here`, args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error { return a.journalDrop(ctx, args[0]) },
	})
	for _, cmd := range []*cobra.Command{send, drop} {
		cmd.Flags().BoolVar(&a.dryRun, "dry-run", false, "tell what it would do, and write nothing")
	}
	g := a.group("journal", "What is recorded and not sent yet", "  bayhold journal list",
		a.command(verb{
			use: "list", short: "Show what waits to be sent", example: "  bayhold journal list", args: cobra.NoArgs,
			run: func(context.Context, []string) error { return a.journalList() },
		}),
		send, drop,
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
	if a.dryRun {
		return a.journalTry(ctx, p)
	}
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

// tried is a record that waits, and what would become of it.
type tried struct {
	dial.Kept
	Would string `json:"would"`
}

// journalTry asks what would become of what waits, and writes nothing.
func (a *app) journalTry(ctx context.Context, p *place) error {
	list, err := a.outbox().Pending()
	if err != nil {
		return a.journalProblem(err)
	}
	out, asked := []tried{}, map[string]bool{}
	for _, k := range list {
		t := tried{k, "waits for what comes before it"}
		switch m, known := recordMethods[k.Method]; {
		case k.Server != a.set.server || k.Sender != dial.Fingerprint(a.set.token):
			t.Would = "stays: it is for another server, or somebody else's to send"
		case asked[k.Job]:
		case !known:
			t.Would = "stays: this program does not know it"
		default:
			req := m.req()
			if err := k.Read(req); err != nil {
				t.Would = "stays: it cannot be read"
			} else if err := p.Send(ctx, k.Method, req, m.resp()); err == nil {
				t.Would = "is taken"
			} else if outcomeUnknown(err) {
				return err
			} else {
				t.Would = "is REFUSED: " + asProblem(err).message
			}
			asked[k.Job] = true
		}
		out = append(out, t)
	}
	if a.structured() {
		return a.writeDocument(a.streams.Out, map[string]any{"pending": out})
	}
	a.note("A dry run: this is what it would do. Nothing was written.")
	return a.print(func(w io.Writer) {
		if len(out) == 0 {
			a.printJournal(w, nil)
			return
		}
		t := table{cols: []column{{title: "id"}, {title: "recorded"}, {title: "what", wrap: true}, {title: "would", wrap: true}}}
		for _, k := range out {
			t.add(shortID(k.ID), k.At.Local().Format("Mon 02 Jan 15:04"), k.Words, k.Would)
		}
		writeTable(w, t, a.width())
	})
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
	told := "Dropped, and never sent"
	if a.dryRun {
		told = "This would be dropped, and never sent"
	} else if err := box.Gone(found[0].ID); err != nil {
		return a.journalProblem(err)
	}
	if a.structured() {
		return a.writeDocument(a.streams.Out, map[string]any{"dropped": found[0], "pending": len(box.Kept()), "dryRun": a.dryRun})
	}
	return a.print(func(w io.Writer) {
		writeText(w, fmt.Sprintf("%s: %s of %s.", told, found[0].Words, found[0].At.Local().Format("Mon 02 Jan 15:04")), a.width())
	})
}
