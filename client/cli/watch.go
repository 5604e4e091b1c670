package cli

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/structpb"

	"bayhold/internal/csvfile"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// watchAgain is the pause before a broken watch is taken up again.
const watchAgain = time.Second

// watchFlags say what to watch, by the words of each collection.
type watchFlags struct {
	subjects map[string]*[]string
	after    int64
}

func (a *app) watchCommand() *cobra.Command {
	f := watchFlags{subjects: map[string]*[]string{}}
	var cmd *cobra.Command
	cmd = a.command(verb{
		use: "watch", short: "What happens, as it happens",
		long: `Print every change as it happens, until interrupted: who did what to what. A
watch that breaks is taken up again after the last change that was printed, so
that nothing is missed and nothing told twice. --after begins earlier, after a
revision that was printed before; 0 is the beginning. With --output json each
change is one line.`,
		example: `  bayhold watch
  bayhold watch --tool LS-ORLO-1 --tool LS-VELDE-1
  bayhold watch --job 15 --after 0`,
		args: cobra.NoArgs,
		run:  func(ctx context.Context, _ []string) error { return a.watch(ctx, cmd, &f) },
	})
	fl := cmd.Flags()
	for _, c := range subjectFlags {
		f.subjects[c.collection] = fl.StringSlice(c.flag, nil, "only what touches this `"+c.flag+"`; may be repeated")
	}
	fl.Int64Var(&f.after, "after", 0, "begin after this `revision` instead of now")
	return cmd
}

func (a *app) watch(ctx context.Context, cmd *cobra.Command, f *watchFlags) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	req := &bayholdv1.WatchRequest{Parent: p.site.GetName(), Together: true}
	if cmd.Flags().Changed("after") {
		req.AfterRevision = &f.after
	}
	for _, c := range subjectFlags {
		names, err := p.names(c.collection, *f.subjects[c.collection])
		if err != nil {
			return err
		}
		req.Subjects = append(req.Subjects, names...)
	}
	for {
		heard, err := a.watchOnce(ctx, p, req)
		switch {
		case ctx.Err() != nil:
			return nil // whoever watches ends it so
		case !heard || status.Code(err) != codes.Unavailable:
			return err
		}
		fmt.Fprintln(a.streams.Err, "bayhold: the server does not answer; asking again after revision", req.GetAfterRevision())
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(watchAgain):
		}
	}
}

// watchOnce prints one stream to its end, and leaves in the request where the
// next one is to begin. Heard tells whether the server answered at all, now or
// before.
func (a *app) watchOnce(ctx context.Context, p *place, req *bayholdv1.WatchRequest) (heard bool, err error) {
	heard = req.AfterRevision != nil
	stream, err := p.Watches.Watch(ctx, req)
	if err != nil {
		return heard, err
	}
	for {
		m, err := stream.Recv()
		if err != nil {
			return heard, err
		}
		heard = true
		revision := m.GetRevision()
		req.AfterRevision = &revision
		events := m.GetEvents()
		if e := m.GetEvent(); e != nil { // alone, from a server that knows no other way
			events = append(events, e)
		}
		for _, e := range events {
			a.printEvent(a.streams.Out, p.clock, e)
		}
	}
}

func (a *app) printEvent(w io.Writer, c clock, e *bayholdv1.Event) {
	reference := referenceIn(e.GetDetails())
	switch a.output() {
	case "json":
		fmt.Fprintln(w, protojson.MarshalOptions{EmitDefaultValues: true}.Format(e))
		return
	case "yaml":
		if raw, err := messageJSON(e); err == nil {
			fmt.Fprintln(w, "---")
			_ = a.writeDocument(w, raw) // as with the other lines, an end of the reader ends the program
		}
		return
	case "csv":
		rows := csvfile.NewWriter(w)
		if !a.titled {
			a.titled = true
			_ = rows.Write([]string{"revision", "time", "kind", "subject", "reference", "touched", "by"})
		}
		_ = rows.Write([]string{
			strconv.FormatInt(e.GetRevision(), 10), c.at(e.GetEventTime()), e.GetKind(), id(e.GetSubject()),
			plain(reference), ids(e.GetTouched()), e.GetActor(),
		})
		_ = rows.Flush()
		return
	}
	what := id(e.GetSubject())
	if reference != "" {
		what += " (" + reference + ")"
	}
	line := fmt.Sprintf("%d  %s  %s  %s", e.GetRevision(), c.at(e.GetEventTime()), kindWords(e.GetKind()), what)
	if touched := e.GetTouched(); len(touched) > 1 {
		line += ": " + ids(touched[1:])
	}
	if e.GetActor() != "" {
		line += ", by " + e.GetActor()
	}
	fmt.Fprintln(w, line)
}

// kindWords reads "job.booked" as people do.
func kindWords(kind string) string { return strings.ReplaceAll(kind, ".", " ") }

// referenceIn finds the workshop's reference in what the log says of a job.
func referenceIn(details *structpb.Struct) string {
	if r := details.GetFields()["reference"]; r != nil {
		return r.GetStringValue()
	}
	job := details.GetFields()["Job"].GetStructValue()
	return job.GetFields()["Reference"].GetStringValue()
}
