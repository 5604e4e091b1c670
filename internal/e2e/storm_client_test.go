package e2e

import (
	"context"
	"fmt"
	"math/rand/v2"
	"path"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

const (
	// callTime is how long a client waits for an answer.
	callTime = 3 * time.Second
	// insistence is how long after the storm a client still asks what became of
	// its last act.
	insistence = 20 * time.Second
	// giveUp of a hundred clients do not ask again when they were not answered.
	giveUp = 2
)

// client acts on a workshop as its dice say, and notes what it is told.
type client struct {
	id    int
	conns []*grpc.ClientConn // to every server
	dice  *rand.Rand
	begun time.Time // of the storm
	hour  time.Time // the first that is fought over
	deeds []deed
	last  context.Context // ends when nobody asks any more
	jobs  []held          // that are its own and stand, as far as it knows
	hands []held          // tools that it has
	wrong []string
}

// held is a job and what it holds, or an issue and its tool.
type held struct {
	job   int64
	holds []hold
}

func (c *client) conn() *grpc.ClientConn { return c.conns[c.dice.IntN(len(c.conns))] }

func (c *client) now() int64 { return int64(time.Since(c.begun)) }

func (c *client) storm(ctx context.Context) {
	for ctx.Err() == nil {
		switch n := c.dice.IntN(100); {
		case n < 35:
			c.reserve(ctx)
		case n < 55:
			c.cancel(ctx)
		case n < 70:
			c.move(ctx)
		case n < 85:
			c.handle(ctx)
		default:
			c.look(ctx)
		}
	}
}

// carry does an act, again under the same request id if it is not known what
// became of it: mostly, for a caller may give up too.
func (c *client) carry(ctx context.Context, d deed, giveUp int, do func(ctx context.Context, conn *grpc.ClientConn, request string) error) deed {
	d.client, d.request, d.call = c.id, uuid.NewString(), c.now()
	doubt := false
	for {
		try, cancel := context.WithTimeout(context.WithoutCancel(ctx), callTime)
		err := do(try, c.conn(), d.request)
		cancel()
		d.ret = c.now()
		d.outcome = outcomeOf(err)
		if s := status.Convert(err); s.Code() == codes.Internal && strings.Contains(s.Message(), "server's log") {
			c.wrong = append(c.wrong, fmt.Sprintf("%s was answered with an internal error", d.kind))
		}
		switch {
		case d.outcome == refused:
			d.saw, d.doubt = c.inTheWay(err), doubt
			return d
		case d.outcome == done:
			return d
		}
		doubt = true
		if c.last.Err() != nil || c.dice.IntN(100) < giveUp {
			return d
		}
		select {
		case <-c.last.Done():
		case <-time.After(time.Duration(c.dice.IntN(30)) * time.Millisecond):
		}
	}
}

// outcomeOf tells from an error what became of an act.
func outcomeOf(err error) outcome {
	switch status.Code(err) {
	case codes.OK:
		return done
	case codes.Aborted, codes.FailedPrecondition, codes.NotFound, codes.InvalidArgument, codes.AlreadyExists:
		return refused
	}
	return unknown
}

// inTheWay reads what an act was refused for.
func (c *client) inTheWay(err error) (out []hold) {
	for _, detail := range status.Convert(err).Details() {
		conflict, ok := detail.(*bayholdv1.BookingConflict)
		if !ok {
			continue
		}
		for _, h := range conflict.GetHeld() {
			out = append(out, c.holdOf(h.GetResource(), h.GetJob(), h.GetStart(), h.GetEnd()))
		}
	}
	return out
}

func (c *client) holdOf(resource, job string, start, end *timestamppb.Timestamp) hold {
	at := func(t *timestamppb.Timestamp) int { return int(t.AsTime().Sub(c.hour) / time.Hour) }
	return hold{resource: strings.TrimPrefix(resource, "sites/arena/"), from: at(start), to: at(end), job: number(job)}
}

// number is the last part of a name.
func number(name string) int64 {
	n, _ := strconv.ParseInt(path.Base(name), 10, 64)
	return n
}

func (c *client) reserve(ctx context.Context) {
	from := c.dice.IntN(span)
	to := min(span, from+1+c.dice.IntN(3))
	var job int64
	d := deed{kind: "job.reserved"}
	req := &bayholdv1.ReserveRequest{
		Parent: "sites/arena", Reference: "storm", State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED,
		During: &bayholdv1.TimeRange{Start: c.stamp(from), End: c.stamp(to)},
	}
	for _, n := range c.dice.Perm(bookedTools)[:1+c.dice.IntN(3)] {
		tool := fmt.Sprintf("tools/LK-%d", n+1)
		req.Resources = append(req.Resources, "sites/arena/"+tool)
		d.wants = append(d.wants, hold{resource: tool, from: from, to: to})
	}
	d = c.carry(ctx, d, giveUp, func(ctx context.Context, conn *grpc.ClientConn, request string) error {
		req.RequestId = request
		got, err := bayholdv1.NewBookingServiceClient(conn).Reserve(ctx, req)
		job = number(got.GetJob().GetName())
		return err
	})
	c.note(d, job)
}

func (c *client) stamp(hour int) *timestamppb.Timestamp {
	return timestamppb.New(c.hour.Add(time.Duration(hour) * time.Hour))
}

// note keeps what was done, and the job that it made.
func (c *client) note(d deed, job int64) {
	if d.outcome == done {
		d.job = job
		c.jobs = append(c.jobs, held{job, d.wants})
	}
	c.deeds = append(c.deeds, d)
}

// take draws one of the jobs and forgets it.
func (c *client) take() (held, bool) {
	if len(c.jobs) == 0 {
		return held{}, false
	}
	i := c.dice.IntN(len(c.jobs))
	j := c.jobs[i]
	c.jobs = append(c.jobs[:i], c.jobs[i+1:]...)
	return j, true
}

func givesOf(j held) (out []hold) {
	for _, h := range j.holds {
		h.job = j.job
		out = append(out, h)
	}
	return out
}

func (c *client) cancel(ctx context.Context) {
	j, ok := c.take()
	if !ok {
		return
	}
	d := c.carry(ctx, deed{kind: "job.cancelled", gives: givesOf(j)}, giveUp, func(ctx context.Context, conn *grpc.ClientConn, request string) error {
		_, err := bayholdv1.NewBookingServiceClient(conn).CancelJob(ctx, &bayholdv1.CancelJobRequest{Name: fmt.Sprintf("sites/arena/jobs/%d", j.job), RequestId: request})
		return err
	})
	if d.outcome == refused && !d.doubt {
		c.wrong = append(c.wrong, fmt.Sprintf("job %d could not be cancelled", j.job))
	}
	c.deeds = append(c.deeds, d)
}

// move plans a job at another hour and books that in place of one of its own, or
// as a new one if it has none.
func (c *client) move(ctx context.Context) {
	from := c.dice.IntN(span)
	ask := &bayholdv1.CheckJobRequest{Parent: "sites/arena", Procedures: []string{"sites/arena/procedures/swap"}, StartTime: c.stamp(from)}
	j, has := c.take()
	req := &bayholdv1.BookPlanRequest{Parent: "sites/arena", Reference: "storm", State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED}
	if has {
		ask.ReplacedJob = fmt.Sprintf("sites/arena/jobs/%d", j.job)
		req.ReplacedJob = ask.ReplacedJob
	}
	try, cancel := context.WithTimeout(ctx, callTime)
	answer, err := bayholdv1.NewPlanningServiceClient(c.conn()).CheckJob(try, ask)
	cancel()
	if err != nil || !answer.GetPossible() {
		if has {
			c.jobs = append(c.jobs, j)
		}
		if outcomeOf(err) == refused {
			c.wrong = append(c.wrong, "a check was refused: "+err.Error())
		}
		return
	}
	d := deed{kind: "job.booked", gives: givesOf(j)}
	req.Plan = answer.GetPlan()
	for _, b := range req.Plan.GetBookings() {
		d.wants = append(d.wants, c.holdOf(b.GetResource(), "", b.GetStartTime(), b.GetEndTime()))
	}
	var job int64
	d = c.carry(ctx, d, giveUp, func(ctx context.Context, conn *grpc.ClientConn, request string) error {
		req.RequestId = request
		got, err := bayholdv1.NewBookingServiceClient(conn).BookPlan(ctx, req)
		job = number(got.GetJob().GetName())
		return err
	})
	c.note(d, job)
	if has && d.outcome == refused && !d.doubt {
		c.jobs = append(c.jobs, j)
	}
}

// handle gives a tool back, or asks for one.
func (c *client) handle(ctx context.Context) {
	if n := len(c.hands); n > 0 {
		h := c.hands[n-1]
		c.hands = c.hands[:n-1]
		d := deed{kind: "tool.returned", tool: h.holds[0].resource, gives: givesOf(h)}
		d = c.carry(ctx, d, 0, func(ctx context.Context, conn *grpc.ClientConn, request string) error {
			_, err := bayholdv1.NewIssueServiceClient(conn).ReturnTool(ctx, &bayholdv1.ReturnToolRequest{
				Name: "sites/arena/" + d.tool, RestComplete: true, RequestId: request,
			})
			return err
		})
		if d.outcome == refused && !d.doubt {
			c.wrong = append(c.wrong, fmt.Sprintf("%s could not be given back", d.tool))
		}
		c.deeds = append(c.deeds, d)
		return
	}
	tool := fmt.Sprintf("tools/HO-%d", 1+c.dice.IntN(handedTools))
	d := deed{kind: "tool.issued", tool: tool, wants: []hold{{resource: tool, from: 0, to: 1}}}
	var issue int64
	d = c.carry(ctx, d, 0, func(ctx context.Context, conn *grpc.ClientConn, request string) error {
		got, err := bayholdv1.NewIssueServiceClient(conn).IssueTools(ctx, &bayholdv1.IssueToolsRequest{
			Parent: "sites/arena", Tools: []string{"sites/arena/" + tool}, WithoutBooking: true, RequestId: request,
			Technician: fmt.Sprintf("sites/arena/technicians/tech-%d", 1+c.id%technicians), DueTime: timestamppb.New(c.hour),
		})
		if err == nil {
			issue = got.GetIssued()[0].GetIssue().GetId()
		}
		return err
	})
	d.taken = d.outcome == refused
	if d.outcome == done {
		d.job = issue
		c.hands = append(c.hands, held{issue, d.wants})
	}
	c.deeds = append(c.deeds, d)
}

// look reads the bookings of a tool.
func (c *client) look(ctx context.Context) {
	tool := fmt.Sprintf("tools/LK-%d", 1+c.dice.IntN(bookedTools))
	d := deed{client: c.id, read: &reading{resource: tool}, call: c.now()}
	try, cancel := context.WithTimeout(ctx, callTime)
	defer cancel()
	got, err := bayholdv1.NewBookingServiceClient(c.conn()).ListBookings(try, &bayholdv1.ListBookingsRequest{
		Parent: "sites/arena", Resource: "sites/arena/" + tool, PageSize: 1000,
		During: &bayholdv1.TimeRange{Start: c.stamp(0), End: c.stamp(span)},
	})
	d.ret = c.now()
	if err != nil {
		return
	}
	d.outcome = done
	for _, b := range got.GetBookings() {
		h := c.holdOf(b.GetResource(), b.GetJob(), b.GetDuring().GetStart(), b.GetDuring().GetEnd())
		for i := h.from; i < h.to; i++ {
			if d.read.state[i] != 0 {
				c.wrong = append(c.wrong, fmt.Sprintf("two bookings of %s were read for one hour", tool))
			}
			d.read.state[i] = h.job
		}
	}
	c.deeds = append(c.deeds, d)
}
