package cli

import (
	"context"
	"io"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// reserveFlags say what for and when.
type reserveFlags struct {
	reference, from, until, tentative, note string
}

// reserveCommand makes the command that books things of one sort for a time
// without a procedure.
func (a *app) reserveCommand(collection, noun, example, flags string) *cobra.Command {
	var f reserveFlags
	cmd := a.command(verb{
		use: "reserve " + placeholder(noun) + "... --reference R --from T --until T", short: "Book a " + noun + " for a time, without a procedure",
		long: "Book a " + noun + ` for a time, under the same rules as a job. Several are
booked all or none. A date alone is the start of that day for --from and its
end for --until.`,
		example: "  bayhold " + noun + " reserve " + example + " " + flags,
		args:    reserveArgs(collection),
		run: func(ctx context.Context, args []string) error {
			if collection == tools {
				var err error
				if args, err = a.scanned(args); err != nil {
					return err
				}
			}
			return a.reserve(ctx, collection, noun, &f, args)
		},
	})
	fl := cmd.Flags()
	fl.StringVar(&f.reference, "reference", "", "the workshop's own reference for what it is for; no customer names")
	fl.StringVar(&f.from, "from", "", "first `time`")
	fl.StringVar(&f.until, "until", "", "`time` at which it is free again; a date: the end of that day")
	fl.StringVar(&f.tentative, "tentative", "", "hold it for this long only, until confirmed: 4h, 2d")
	fl.StringVar(&f.note, "note", "", "for people")
	require(cmd, "reference", "from", "until")
	a.requestIDFlag(cmd)
	return cmd
}

// reserveArgs is how many things must be named: tools may be scanned.
func reserveArgs(collection string) cobra.PositionalArgs {
	if collection == tools {
		return cobra.ArbitraryArgs
	}
	return cobra.MinimumNArgs(1)
}

// placeholder is how help writes the id of a thing.
func placeholder(noun string) string {
	switch noun {
	case "bay":
		return "BAY"
	case "tool":
		return "TOOL"
	default:
		return "TECHNICIAN"
	}
}

// require marks flags that must be given.
func require(cmd *cobra.Command, flags ...string) {
	for _, f := range flags {
		if err := cmd.MarkFlagRequired(f); err != nil {
			panic(err) // the flag is not defined: a slip in the lines above the call
		}
	}
}

func (a *app) reserve(ctx context.Context, collection, noun string, f *reserveFlags, words []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	names, err := p.names(collection, words)
	if err != nil {
		return err
	}
	during, err := a.period(p.clock, f.from, f.until)
	if err != nil {
		return err
	}
	state, expire, err := p.standing(f.tentative)
	if err != nil {
		return err
	}
	resp, err := act(ctx, a, bayholdv1.BookingService_Reserve_FullMethodName, &bayholdv1.ReserveRequest{},
		func(requestID string) (*bayholdv1.ReserveRequest, error) {
			return &bayholdv1.ReserveRequest{
				Parent: p.site.GetName(), RequestId: requestID, Reference: f.reference, Resources: names,
				During: during, State: state, ExpireTime: expire, Note: f.note,
			}, nil
		}, p.Bookings.Reserve)
	if err != nil {
		return a.lost(err, reserveAgain(a, noun, p.clock, during)...)
	}
	return a.answer(resp, func(w io.Writer) { a.printReserved(w, p.clock, resp) })
}

// reserveAgain gives the commands that tell what is free instead.
func reserveAgain(a *app, noun string, c clock, during *bayholdv1.TimeRange) []string {
	from, until := c.typed(during.GetStart().AsTime()), c.typed(during.GetEnd().AsTime())
	if noun == "tool" {
		return []string{a.again("tool", "list", "--free", from, until)}
	}
	return []string{a.again("booking", "list", "--from", from, "--until", until)}
}

// standing gives the state to book in: CONFIRMED, or TENTATIVE for a length
// of time from now.
func (p *place) standing(tentative string) (bayholdv1.BookingState, *timestamppb.Timestamp, error) {
	if tentative == "" {
		return bayholdv1.BookingState_BOOKING_STATE_CONFIRMED, nil, nil
	}
	l, err := readLength(tentative)
	if err != nil {
		return 0, nil, usage("--tentative: %s", err)
	}
	until, err := p.clock.after(roundUp(p.clock.now), l)
	if err != nil || until.Sub(p.clock.now) < time.Minute {
		return 0, nil, usage("--tentative %s is too short or too long", tentative)
	}
	return bayholdv1.BookingState_BOOKING_STATE_TENTATIVE, stamp(until), nil
}

// lost adds what to try to a booking that came too late or no longer fits.
func (a *app) lost(err error, commands ...string) error {
	p := asProblem(err)
	if code := exitCode(p.code); code == exitLostRace || code == exitAtOdds {
		p.tries = append(append([]string{}, commands...), p.tries...)
	}
	return p
}
