package rpc

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func TestForecastOverTheWire(t *testing.T) {
	t.Parallel()
	c := small(t)
	forecasts := bayholdv1.NewForecastServiceClient(c.conn)
	found, err := bayholdv1.NewPlanningServiceClient(c.conn).FindPlans(t.Context(), &bayholdv1.FindPlansRequest{
		Parent: quay, Procedures: []string{quay + "/procedures/chain"}, EarliestTime: at(12, 8), PromiseConfidence: 0.8,
	})
	if err != nil || found.GetOptions()[0].GetPromiseTime() == nil {
		t.Fatalf("%v, %v", found, err)
	}
	plan := found.GetOptions()[0].GetPlan()
	sim := &bayholdv1.Simulation{Percentiles: []float64{0.8}, Runs: 500, Seed: 3}
	of, err := forecasts.ForecastPlan(t.Context(), &bayholdv1.ForecastPlanRequest{Parent: quay, Plan: plan, Simulation: sim, PromiseTime: found.GetOptions()[0].GetPromiseTime()})
	if err != nil || of.GetForecast().GetRuns() != 500 || len(of.GetForecast().GetPercentiles()) != 1 || of.GetForecast().GetPromiseChance().GetShare() < 0.7 {
		t.Errorf("%v, %v", of, err)
	}
	booked, err := bayholdv1.NewBookingServiceClient(c.conn).BookPlan(t.Context(), &bayholdv1.BookPlanRequest{
		Parent: quay, RequestId: uuid.NewString(), Reference: "W-800", Plan: plan,
		State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED, PromiseConfidence: 0.8,
	})
	if err != nil || booked.GetJob().GetPromiseConfidence() != 0.8 || booked.GetJob().GetPromiseTime() == nil {
		t.Fatalf("%v, %v", booked, err)
	}
	job, err := forecasts.ForecastJob(t.Context(), &bayholdv1.ForecastJobRequest{Name: booked.GetJob().GetName(), Simulation: sim})
	if err != nil || job.GetForecast().GetJob() != booked.GetJob().GetName() || len(job.GetForecast().GetDecidingSteps()) == 0 {
		t.Errorf("%v, %v", job, err)
	}
	all, err := forecasts.ForecastSite(t.Context(), &bayholdv1.ForecastSiteRequest{Parent: quay, Simulation: sim})
	if err != nil || len(all.GetJobs()) != 1 {
		t.Errorf("%v, %v", all, err)
	}
	times, err := forecasts.GetProcedureTimes(t.Context(), &bayholdv1.GetProcedureTimesRequest{Name: quay + "/procedures/chain"})
	if err != nil || len(times.GetSteps()) != len(plan.GetSteps()) || times.GetConstantFromRecords() {
		t.Errorf("%v, %v", times, err)
	}
	review, err := forecasts.ReviewPromises(t.Context(), &bayholdv1.ReviewPromisesRequest{
		Parent: quay, During: &bayholdv1.TimeRange{Start: at(1, 0), End: at(30, 0)},
	})
	if err != nil || review.GetUnrecorded() != 1 || review.GetWhole().GetVerdict() != bayholdv1.PromiseBand_VERDICT_TOO_FEW {
		t.Errorf("%v, %v", review, err)
	}
}

func TestForecastRefusesOverTheWire(t *testing.T) {
	t.Parallel()
	c := small(t)
	forecasts := bayholdv1.NewForecastServiceClient(c.conn)
	job := bookChain(t, c)
	for name, ask := range map[string]func() error{
		"a name": func() error {
			_, err := forecasts.ForecastJob(t.Context(), &bayholdv1.ForecastJobRequest{Name: "moon"})
			return err
		},
		"a percentile": func() error {
			_, err := forecasts.ForecastJob(t.Context(), &bayholdv1.ForecastJobRequest{Name: job.GetName(), Simulation: &bayholdv1.Simulation{Percentiles: []float64{2}}})
			return err
		},
		"too many runs": func() error {
			_, err := forecasts.ForecastJob(t.Context(), &bayholdv1.ForecastJobRequest{Name: job.GetName(), Simulation: &bayholdv1.Simulation{Runs: 1 << 30}})
			return err
		},
		"no plan": func() error {
			_, err := forecasts.ForecastPlan(t.Context(), &bayholdv1.ForecastPlanRequest{Parent: quay})
			return err
		},
		"no time": func() error {
			_, err := forecasts.ReviewPromises(t.Context(), &bayholdv1.ReviewPromisesRequest{Parent: quay})
			return err
		},
		"a promise of certainty": func() error {
			_, err := bayholdv1.NewPlanningServiceClient(c.conn).FindPlans(t.Context(), &bayholdv1.FindPlansRequest{
				Parent: quay, Procedures: []string{quay + "/procedures/chain"}, EarliestTime: at(12, 8), PromiseConfidence: 1,
			})
			return err
		},
	} {
		t.Run(name, func(t *testing.T) { wantCode(t, ask(), codes.InvalidArgument) })
	}
	_, err := forecasts.ForecastJob(t.Context(), &bayholdv1.ForecastJobRequest{Name: quay + "/jobs/999"})
	wantCode(t, err, codes.NotFound)
}

func TestStudyStreamsAndCanBeBrokenOff(t *testing.T) {
	t.Parallel()
	c := small(t)
	forecasts := bayholdv1.NewForecastServiceClient(c.conn)
	req := &bayholdv1.RunStudyRequest{
		Parent: quay, Demand: []*bayholdv1.Demand{{Procedures: []string{quay + "/procedures/chain"}, PerWeek: 2}}, Weeks: 2, Replications: 2,
		Variants: []*bayholdv1.StudyVariant{{OneMore: []string{quay + "/technicians/ada"}}, {LongerMinutes: 30, DisplayName: "half an hour"}},
	}
	stream, err := forecasts.RunStudy(t.Context(), req)
	if err != nil {
		t.Fatal(err)
	}
	var last *bayholdv1.RunStudyResponse
	n := 0
	for {
		resp, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		last = resp
		n++
	}
	out := last.GetOutcome()
	if n != 7 || last.GetDoneRuns() != 6 || len(out.GetVariants()) != 2 || !strings.Contains(out.GetPicture(), "\n<svg ") || out.GetWarmUpWeeks() != 4 {
		t.Errorf("%d answers, the last: %.1000s", n, last.String())
	}
	if got := out.GetBase().GetResources()[0].GetResource(); !strings.HasPrefix(got, quay+"/") {
		t.Errorf("a resource is called %q", got)
	}
	ctx, cancel := context.WithCancel(t.Context())
	req.Replications = 500
	if stream, err = forecasts.RunStudy(ctx, req); err == nil {
		_, err = stream.Recv()
	}
	if err != nil {
		t.Fatal(err)
	}
	cancel()
	for err == nil {
		_, err = stream.Recv()
	}
	wantCode(t, err, codes.Canceled)
	req.Demand = nil
	if stream, err = forecasts.RunStudy(t.Context(), req); err == nil {
		_, err = stream.Recv()
	}
	wantCode(t, err, codes.FailedPrecondition)
}
