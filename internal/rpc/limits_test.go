package rpc

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"bayhold/internal/gate"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// retry tells when the server says that a call may be made again.
func retry(err error) time.Duration {
	return detail[*errdetails.RetryInfo](err).GetRetryDelay().AsDuration()
}

func TestOneWhoCallsTooOftenIsTurnedAway(t *testing.T) {
	t.Parallel()
	c := serve(t, Options{Limits: Limits{Rate: 0.001, Burst: 3}})
	for n := range 5 {
		_, err := c.site.ListSites(t.Context(), nil)
		switch {
		case n < 3 && err != nil:
			t.Errorf("call %d: %v", n+1, err)
		case n >= 3:
			wantCode(t, err, codes.ResourceExhausted)
			if reason := detail[*errdetails.ErrorInfo](err).GetReason(); reason != "RATE" || retry(err) < 100*time.Second {
				t.Errorf("call %d: %s, again after %v", n+1, reason, retry(err))
			}
		}
	}
}

func TestAnAddressIsBoundedBeforeItsTokensAreLookedAt(t *testing.T) {
	t.Parallel()
	c := serve(t, Options{Limits: Limits{AddressRate: 0.001, AddressBurst: 2}})
	stranger := bayholdv1.NewSiteServiceClient(c.house.dial(t, "bayhold.quay.nonsense"))
	var got []codes.Code
	for range 3 {
		_, err := stranger.ListSites(t.Context(), nil)
		got = append(got, status.Code(err))
	}
	if got[0] != codes.Unauthenticated || got[2] != codes.ResourceExhausted {
		t.Errorf("the calls ended with %v", got)
	}
}

func TestStreamsOfOneUserAreBounded(t *testing.T) {
	t.Parallel()
	c := serve(t, Options{Limits: Limits{Streams: 1}})
	w := bayholdv1.NewWatchServiceClient(c.conn)
	first, leave := context.WithCancel(t.Context())
	defer leave()
	open := func(ctx context.Context) error {
		s, err := w.Watch(ctx, &bayholdv1.WatchRequest{Parent: quay})
		if err != nil {
			return err
		}
		_, err = s.Recv()
		return err
	}
	if err := open(first); err != nil {
		t.Fatal(err)
	}
	err := open(t.Context())
	wantCode(t, err, codes.ResourceExhausted)
	if retry(err) <= 0 {
		t.Error("nobody says when to try again")
	}
	leave()
	for ctx, done := context.WithTimeout(t.Context(), 10*time.Second); ; {
		if open(ctx) == nil {
			done()
			return
		}
		if ctx.Err() != nil {
			t.Fatal("a stream that was closed still counts")
		}
	}
}

// TestPlannersAreShared has the one planner taken, and callers wait for it as far
// as their time and the queue allow.
func TestPlannersAreShared(t *testing.T) {
	t.Parallel()
	g := gate.New(gate.Options{Slots: 1, PerSite: 1, Queue: 1, PerCaller: 1})
	c := smallWith(t, Options{Limits: Limits{Planners: g}})
	found, err := c.planning.FindPlans(t.Context(), &bayholdv1.FindPlansRequest{Parent: quay, Procedures: []string{quay + "/procedures/chain"}, EarliestTime: at(12, 8)})
	if err != nil {
		t.Fatal(err)
	}
	leave, err := g.Enter(t.Context(), "quay", "somebody")
	if err != nil {
		t.Fatal(err)
	}
	ask := func(ctx context.Context) error {
		_, err := c.planning.CheckJob(ctx, &bayholdv1.CheckJobRequest{
			Parent: quay, Procedures: []string{quay + "/procedures/chain"}, StartTime: at(12, 9),
		})
		return err
	}
	brief, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
	defer cancel()
	err = ask(brief)
	wantCode(t, err, codes.ResourceExhausted)
	if reason := detail[*errdetails.ErrorInfo](err).GetReason(); reason != "PLANNERS_BUSY" || retry(err) < time.Second {
		t.Errorf("%s, again after %v", reason, retry(err))
	}
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := ask(t.Context()); err != nil {
			t.Errorf("the one who waited: %v", err)
		}
	})
	for n := 0; n == 0; {
		n, _ = g.Waiting()
	}
	wantCode(t, ask(t.Context()), codes.ResourceExhausted) // the queue is full
	// What needs no planner goes on meanwhile.
	if _, err := c.bay.GetBay(t.Context(), &bayholdv1.GetBayRequest{Name: quay + "/bays/bay-1"}); err != nil {
		t.Errorf("a look at a bay: %v", err)
	}
	// So does a booking, unless a promise is to be played for it.
	order := &bayholdv1.BookPlanRequest{
		Parent: quay, RequestId: uuid.NewString(), Reference: "W-1", Plan: found.GetOptions()[0].GetPlan(),
		State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED, PromiseConfidence: 0.8,
	}
	wantCode(t, second(c.booking.BookPlan(t.Context(), order)), codes.ResourceExhausted)
	order.PromiseConfidence = 0
	if _, err := c.booking.BookPlan(t.Context(), order); err != nil {
		t.Errorf("a booking without a promise: %v", err)
	}
	leave()
	wg.Wait()
}

// TestWhatPlansSaysSo walks the methods that are known to search or to simulate:
// those that come to plan.Check, Find, Explain, Arrange, Ripple, forecast.Simulate
// or Run.
func TestWhatPlansSaysSo(t *testing.T) {
	t.Parallel()
	c := serve(t, Options{})
	for _, m := range []string{
		"PlanningService/CheckJob", "PlanningService/FindPlans", "PlanningService/ExplainJob", "PlanningService/ListWhileOpen",
		"ArrangementService/ArrangeJobs", "ArrangementService/ProposeRepair", "ArrangementService/BookArrangement", "LeaveService/FindLeaves", "BookingService/BookPlan",
		"ForecastService/ForecastJob", "ForecastService/ForecastPlan", "ForecastService/ForecastSite", "ForecastService/RunStudy",
	} {
		if !c.house.server.limits.plans["/bayhold.v1."+m] {
			t.Errorf("%s does not say that it plans", m)
		}
	}
}
