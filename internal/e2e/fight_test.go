package e2e

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"bayhold/internal/pgtest"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

const (
	fighters = 32
	rounds   = 120
	slots    = 200 // hours that are fought over
)

// arena is a workshop of nothing but tools.
const arena = `
site: {id: arena, name: Arena, time_zone: UTC}
tool_types: [{id: lock, name: Locking set, purpose: LOCKING}]
tools:
  - {tag: LK-1, type: lock}
  - {tag: LK-2, type: lock}
  - {tag: LK-3, type: lock}
  - {tag: LK-4, type: lock}
  - {tag: LK-5, type: lock}
  - {tag: LK-6, type: lock}
`

// TestThirtyTwoFight lets 32 clients reserve and give up the same few tools in
// some thousand acts. Afterwards plain SQL finds no overlap, and exactly what
// was acknowledged stands.
func TestThirtyTwoFight(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s := serve(t, db, "127.0.0.1:0")
	s.enrol(t, db, "arena")
	conn := s.dial(t)
	_, err := bayholdv1.NewSiteServiceClient(conn).ImportWorkshop(t.Context(), &bayholdv1.ImportWorkshopRequest{
		Files: []*bayholdv1.WorkshopFile{{Name: "arena.yaml", Content: []byte(arena)}}, RequestId: uuid.NewString(),
	})
	if err != nil {
		t.Fatal(err)
	}
	start := time.Now().UTC().Truncate(time.Hour).AddDate(0, 0, 1)
	var wg sync.WaitGroup
	all := make([]fighter, fighters)
	for i := range all {
		all[i] = fighter{t: t, client: bayholdv1.NewBookingServiceClient(s.dial(t)), start: start, rand: rand.New(rand.NewPCG(42, uint64(i)))}
		wg.Go(func() { all[i].fight(t.Context()) })
	}
	wg.Wait()

	standing := map[string]bool{}
	booked, lost := 0, 0
	for _, f := range all {
		booked += f.booked
		lost += f.lost
		for _, job := range f.standing {
			standing[job] = true
		}
	}
	t.Logf("%d bookings were acknowledged, %d races lost; %d jobs stand", booked, lost, len(standing))
	if booked < 1000 || lost < 1000 {
		t.Errorf("%d bookings were acknowledged and %d races lost: that was no fight", booked, lost)
	}
	judge(t, db, standing)
}

func (s *server) dial(t *testing.T) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(s.addr, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithPerRPCCredentials(bearer(s.token)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// bearer shows a token with every call.
type bearer string

func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + string(b)}, nil
}

func (b bearer) RequireTransportSecurity() bool { return false }

// fighter is one client.
type fighter struct {
	t        *testing.T
	client   bayholdv1.BookingServiceClient
	start    time.Time
	rand     *rand.Rand
	standing []string // names of acknowledged jobs that were not given up
	booked   int      // bookings that were acknowledged, given up or not
	lost     int
}

func (f *fighter) fight(ctx context.Context) {
	for range rounds {
		if n := len(f.standing); n > 0 && f.rand.IntN(4) == 0 {
			last := f.standing[n-1]
			if _, err := f.client.CancelJob(ctx, &bayholdv1.CancelJobRequest{Name: last, RequestId: uuid.NewString()}); err != nil {
				f.t.Errorf("giving up %s: %v", last, err)
				return
			}
			f.standing = f.standing[:n-1]
			continue
		}
		from := f.start.Add(time.Duration(f.rand.IntN(slots)) * time.Hour)
		req := &bayholdv1.ReserveRequest{
			Parent: "sites/arena", RequestId: uuid.NewString(), Reference: "fight",
			State:  bayholdv1.BookingState_BOOKING_STATE_CONFIRMED,
			During: &bayholdv1.TimeRange{Start: timestamppb.New(from), End: timestamppb.New(from.Add(time.Duration(1+f.rand.IntN(3)) * time.Hour))},
		}
		for _, n := range f.rand.Perm(6)[:1+f.rand.IntN(3)] {
			req.Resources = append(req.Resources, fmt.Sprintf("sites/arena/tools/LK-%d", n+1))
		}
		got, err := f.client.Reserve(ctx, req)
		switch status.Code(err) {
		case codes.OK:
			f.standing = append(f.standing, got.GetJob().GetName())
			f.booked += len(got.GetBookings())
		case codes.Aborted:
			f.lost++
		default:
			f.t.Errorf("reserving: %v", err)
			return
		}
	}
}

// judge asks the database itself.
func judge(t *testing.T, db *pgtest.DB, standing map[string]bool) {
	t.Helper()
	pool := db.Pool(t)
	var overlaps int
	err := pool.QueryRow(t.Context(), `
		SELECT count(*) FROM booking a JOIN booking b
		ON a.site_id = b.site_id AND a.resource_id = b.resource_id AND a.booking_id < b.booking_id AND a.during && b.during
		WHERE a.state <> 'CANCELLED' AND b.state <> 'CANCELLED'`).Scan(&overlaps)
	if err != nil || overlaps != 0 {
		t.Errorf("%d bookings overlap: %v", overlaps, err)
	}
	rows, err := pool.Query(t.Context(), `
		SELECT j.job_id, count(b.*) FROM job j LEFT JOIN booking b
		ON b.site_id = j.site_id AND b.job_id = j.job_id AND b.state = 'CONFIRMED'
		WHERE j.state = 'CONFIRMED' GROUP BY j.job_id`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	found := 0
	for rows.Next() {
		var id, bookings int
		if err := rows.Scan(&id, &bookings); err != nil {
			t.Fatal(err)
		}
		found++
		if name := fmt.Sprintf("sites/arena/jobs/%d", id); !standing[name] {
			t.Errorf("%s stands, and nobody was told so", name)
		}
		if bookings == 0 {
			t.Errorf("job %d stands without bookings", id)
		}
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	if found != len(standing) {
		t.Errorf("%d jobs stand, %d were acknowledged", found, len(standing))
	}
}
