package cli

import (
	"context"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) calibrationReviewCommand() *cobra.Command {
	var present float64
	var apply bool
	method := "interval-test"
	cmd := a.command(verb{
		use: "review TOOL", short: "Tell what a tool's certificates say about its interval",
		long: `Review the interval of a tool by each method: what it looked at, with which
confidence the interval misses its target, and what it proposes. Nothing is
changed, unless --apply gives the tool the interval that --by proposes; without
evidence nothing is proposed. What may be proposed stands in the policy: bayhold
calibration policy show.`,
		example: `  bayhold calibration review TW-010-1
  bayhold calibration review TW-010-1 --present 180
  bayhold calibration review TW-010-1 --apply --by staircase`,
		args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			wanted := bayholdv1.ReviewMethod_value["REVIEW_METHOD_"+strings.ToUpper(strings.ReplaceAll(method, "-", "_"))]
			switch {
			case wanted == 0 || method == "exponential":
				return usage("--by is %q; it can be interval-test or staircase", method)
			case apply && present != 0:
				return usage("--apply reviews the interval that the tool has: leave out --present")
			case !apply && a.request != "":
				return usage("--request-id goes with --apply only")
			}
			return a.reviewInterval(ctx, args[0], present, apply, bayholdv1.ReviewMethod(wanted))
		},
	})
	fl := cmd.Flags()
	fl.Float64Var(&present, "present", 0, "the present interval in `days` (default the one it has)")
	fl.BoolVar(&apply, "apply", false, "give the tool the interval that is proposed")
	fl.StringVar(&method, "by", method, "with --apply: the `method`, interval-test or staircase")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) reviewInterval(ctx context.Context, tool string, present float64, apply bool, method bayholdv1.ReviewMethod) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	name, err := p.name(tools, tool)
	if err != nil {
		return err
	}
	if !apply {
		resp, err := p.Calibration.ReviewInterval(ctx, &bayholdv1.ReviewIntervalRequest{Name: name, PresentDays: present})
		if err != nil {
			return err
		}
		return a.answer(resp, func(w io.Writer) { a.printReview(w, resp) })
	}
	resp, err := act(ctx, a, bayholdv1.IntervalService_ApplyInterval_FullMethodName, &bayholdv1.ApplyIntervalRequest{},
		func(requestID string) (*bayholdv1.ApplyIntervalRequest, error) {
			found, err := p.Calibration.ReviewInterval(ctx, &bayholdv1.ReviewIntervalRequest{Name: name})
			if err != nil {
				return nil, err
			}
			for _, x := range found.GetProposals() {
				if x.GetMethod() == method {
					return &bayholdv1.ApplyIntervalRequest{
						Name: name, Method: method, Days: int32(math.Floor(x.GetProposedDays())), RequestId: requestID,
					}, nil
				}
			}
			return nil, local(codes.Internal, "METHOD", "the server knows no such method of review")
		}, p.Intervals.ApplyInterval)
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) {
		writeText(w, fmt.Sprintf("The interval of %s is %d days now; it was %.0f.", tool, resp.GetDays(), resp.GetProposal().GetPresentDays()), a.width())
		for _, reason := range resp.GetProposal().GetReasons() {
			writeText(w, "- "+reason, a.width())
		}
		fmt.Fprintln(w)
		a.printCalibrated(w, p.clock, resp.GetStanding())
	})
}
