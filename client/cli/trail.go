package cli

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) trailCommand() *cobra.Command {
	return a.group("trail", "Who did what, and that the record of it is whole", `  bayhold trail show --tool TW-100-2`,
		a.trailShowCommand(), a.trailVerifyCommand(), a.trailCheckpointCommand())
}

func (a *app) trailVerifyCommand() *cobra.Command {
	var kept []string
	cmd := a.command(verb{
		use: "verify", short: "Check that no event was changed, taken away or put in",
		long: `Follow the chain of events from the first to the last. Each is sealed with a
hash over itself and the seal before it, so that the first event that was
changed, taken away, put in or moved shows. Somebody with all power over the
database could seal everything anew, or cut off the end and set the counter
back: that shows against a checkpoint kept where they cannot reach it.

The exit code is 0 if the chain is whole and 3 if it is not.`,
		example: `  bayhold trail verify
  bayhold trail checkpoint >> checkpoints.txt
  bayhold trail verify --checkpoint checkpoints.txt`,
		args: cobra.NoArgs,
		run:  func(ctx context.Context, _ []string) error { return a.trailVerify(ctx, kept) },
	})
	cmd.Flags().StringSliceVar(&kept, "checkpoint", nil,
		"hold it against this: a `file` of lines from \"trail checkpoint\", or REVISION:SEAL; may be repeated")
	return cmd
}

func (a *app) trailVerify(ctx context.Context, kept []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	checkpoints, err := p.readCheckpoints(kept)
	if err != nil {
		return err
	}
	got, err := p.verifyTrail(ctx, checkpoints)
	if err != nil {
		return err
	}
	if err := a.answer(got, func(w io.Writer) { a.printVerified(w, p.clock, got, checkpoints) }); err != nil {
		return err
	}
	if got.GetBreak() != nil {
		return errNo
	}
	return nil
}

// verifyTrail follows the whole chain and gives the last answer.
func (p *place) verifyTrail(ctx context.Context, kept []*bayholdv1.TrailCheckpoint) (*bayholdv1.VerifyTrailResponse, error) {
	req := &bayholdv1.VerifyTrailRequest{Parent: p.site.GetName(), Checkpoints: kept}
	for {
		got, err := p.Trail.VerifyTrail(ctx, req)
		if err != nil || got.GetDone() {
			return got, err
		}
		if got.GetVerified().GetRevision() <= req.GetAfter().GetRevision() {
			return nil, errors.New("the server repeats a part of its answer without end")
		}
		req.After = got.GetVerified()
	}
}

func (a *app) printVerified(w io.Writer, c clock, got *bayholdv1.VerifyTrailResponse, kept []*bayholdv1.TrailCheckpoint) {
	verified := got.GetVerified().GetRevision()
	if b := got.GetBreak(); b != nil {
		writeText(w, fmt.Sprintf("Not whole: %s.", b.GetMessage()), a.width())
		if verified > 0 {
			writeText(w, fmt.Sprintf("Up to event %d the chain holds.", verified), a.width())
		}
		writeText(w, "Compare with a backup, and see who had access to the database.", a.width())
		return
	}
	writeText(w, fmt.Sprintf("Whole: %s, as of %s.", counted(int(verified), "event", "events"), c.full(c.now)), a.width())
	if n := got.GetSealedLater(); n > 0 {
		writeText(w, fmt.Sprintf("Events up to %d are older than their seals, and were sealed as they stood then.", n), a.width())
	}
	if len(kept) == 0 {
		writeText(w, "No checkpoint was given: that nothing was sealed anew from some event on, or cut off at the end, is not proved.", a.width())
		return
	}
	writeText(w, fmt.Sprintf("It passes through %s kept elsewhere.", counted(len(kept), "checkpoint", "checkpoints")), a.width())
}

func (a *app) trailCheckpointCommand() *cobra.Command {
	return a.command(verb{
		use: "checkpoint", short: "Give the end of the chain, to keep elsewhere",
		long: `Follow the whole chain, and print its end as one line: site, revision and seal,
time. Keep such lines where nobody reaches them who can reach the database:
printed and signed, on another machine, in somebody else's mail.`,
		example: `  bayhold trail checkpoint >> checkpoints.txt`,
		args:    cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			got, err := p.verifyTrail(ctx, nil)
			if err != nil {
				return err
			}
			if b := got.GetBreak(); b != nil {
				return usage("the chain is not whole, and has no end to keep: %s", b.GetMessage()).try("%s", a.again("trail", "verify"))
			}
			return a.answer(got.GetVerified(), func(w io.Writer) {
				v := got.GetVerified()
				fmt.Fprintf(w, "%s %d:%s %s\n", p.site.GetName(), v.GetRevision(), hex.EncodeToString(v.GetSeal()), p.clock.now.UTC().Format(time.RFC3339))
			})
		},
	})
}

// maxCheckpoints is how many a server holds a chain against at once.
const maxCheckpoints = 1000

// readCheckpoints reads what --checkpoint names. Lines about other sites are
// passed over.
func (p *place) readCheckpoints(words []string) ([]*bayholdv1.TrailCheckpoint, error) {
	var out []*bayholdv1.TrailCheckpoint
	for _, word := range words {
		if c, ok := parseCheckpoint(word); ok {
			out = append(out, c)
			continue
		}
		body, err := os.ReadFile(word)
		if errors.Is(err, fs.ErrNotExist) {
			return nil, usage("--checkpoint: %q is neither a file nor REVISION:SEAL", word)
		} else if err != nil {
			return nil, usage("--checkpoint: %s", err)
		}
		before := len(out)
		for i, line := range strings.Split(string(body), "\n") {
			fields := strings.Fields(line)
			if len(fields) == 0 || strings.HasPrefix(fields[0], "sites/") && fields[0] != p.site.GetName() {
				continue
			}
			c, ok := parseCheckpoint(fields[min(1, len(fields)-1)])
			if !ok {
				return nil, usage("--checkpoint: line %d of %s is no checkpoint", i+1, word)
			}
			out = append(out, c)
		}
		if len(out) == before {
			return nil, usage("--checkpoint: %s has no checkpoint of %s", word, p.site.GetName())
		}
	}
	if len(out) > maxCheckpoints {
		out = out[len(out)-maxCheckpoints:] // the newest prove the most
	}
	return out, nil
}

// parseCheckpoint reads "REVISION:SEAL".
func parseCheckpoint(word string) (*bayholdv1.TrailCheckpoint, bool) {
	number, seal, _ := strings.Cut(word, ":")
	revision, err := strconv.ParseInt(number, 10, 64)
	raw, hexErr := hex.DecodeString(seal)
	if err != nil || hexErr != nil || revision < 0 || len(raw) != 32 {
		return nil, false
	}
	return &bayholdv1.TrailCheckpoint{Revision: revision, Seal: raw}, true
}

// trailFlags say what to show.
type trailFlags struct {
	subjects          map[string]*[]string
	user, from, until string
	limit             int
}

// subjectFlags are the collections that events are about, and their flags.
var subjectFlags = []struct{ collection, flag string }{
	{jobs, "job"}, {bays, "bay"}, {technicians, "technician"}, {tools, "tool"}, {procedures, "procedure"},
}

func (a *app) trailShowCommand() *cobra.Command {
	f := trailFlags{subjects: map[string]*[]string{}}
	cmd := a.command(verb{
		use: "show", short: "Show who did what, the newest first",
		example: `  bayhold trail show
  bayhold trail show --tool TW-100-2 --from -30d
  bayhold trail show --user vera --limit 100`,
		args: cobra.NoArgs,
		run:  func(ctx context.Context, _ []string) error { return a.trailShow(ctx, &f) },
	})
	fl := cmd.Flags()
	for _, c := range subjectFlags {
		f.subjects[c.collection] = fl.StringSlice(c.flag, nil, "only what touches this `"+c.flag+"`; may be repeated")
	}
	fl.StringVar(&f.user, "user", "", "only what this `user` did")
	fl.StringVar(&f.from, "from", "", "only from this `time` on")
	fl.StringVar(&f.until, "until", "", "only before this `time`; a date alone is its end")
	fl.IntVar(&f.limit, "limit", 20, "how many events at the most")
	return cmd
}

func (a *app) trailShow(ctx context.Context, f *trailFlags) error {
	if f.limit < 1 {
		return usage("--limit is %d; it must be 1 or more", f.limit)
	}
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	req := &bayholdv1.ShowTrailRequest{Parent: p.site.GetName(), User: f.user}
	for _, c := range subjectFlags {
		names, err := p.names(c.collection, *f.subjects[c.collection])
		if err != nil {
			return err
		}
		req.Subjects = append(req.Subjects, names...)
	}
	if req.StartTime, err = a.optionalTime(p.clock, "--from", f.from, dayStart); err != nil {
		return err
	}
	if req.EndTime, err = a.optionalTime(p.clock, "--until", f.until, dayEnd); err != nil {
		return err
	}
	out := &bayholdv1.ShowTrailResponse{}
	err = all(func(token string) (string, error) {
		req.PageToken, req.PageSize = token, int32(min(f.limit-len(out.Events), pages))
		page, err := p.Trail.ShowTrail(ctx, req)
		out.Events = append(out.Events, page.GetEvents()...)
		if len(out.Events) >= f.limit {
			out.NextPageToken = page.GetNextPageToken()
			return "", err
		}
		return page.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return a.answer(out, func(w io.Writer) { a.printTrail(w, p.clock, out) })
}

// optionalTime reads the time of a flag; absent if it was not given.
func (a *app) optionalTime(c clock, flag, text string, e edge) (*timestamppb.Timestamp, error) {
	if text == "" {
		return nil, nil
	}
	t, err := a.when(c, flag, text, e)
	if err != nil {
		return nil, err
	}
	return timestamppb.New(t), nil
}
