package bench

import (
	"context"
	"flag"
	"fmt"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"bayhold/internal/localpg"
	"bayhold/migrations"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

var (
	rowsFlag  = flag.String("rows", "1000,10000", "how many bookings sites have that are compared")
	callsFlag = flag.Int("calls", 200, "how often each is asked the same")
)

// growing are the questions to a site whose history grows. It can be asked so
// many times.
func (h *house) growing(slug string, conn *grpc.ClientConn, calls int) []question {
	ctx, parent := h.b.Context(), "sites/"+slug
	bookings, boards, trail := bayholdv1.NewBookingServiceClient(conn), bayholdv1.NewBoardServiceClient(conn), bayholdv1.NewTrailServiceClient(conn)
	begin := timestamppb.New(epoch())
	year := &bayholdv1.TimeRange{Start: timestamppb.New(epoch().AddDate(0, 0, -365)), End: begin}
	plans := h.plans(slug, conn, calls)
	return append(h.questions(slug, conn), []question{
		{"book 7", func() error {
			plan := plans[0]
			plans = plans[1:]
			_, err := bookings.BookPlan(ctx, &bayholdv1.BookPlanRequest{
				Parent: parent, RequestId: uuid.NewString(), Reference: "bench", Plan: plan, State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED,
			})
			return err
		}},
		{"a year's jobs", func() error {
			_, err := bayholdv1.NewJobServiceClient(conn).ListJobs(ctx, &bayholdv1.ListJobsRequest{Parent: parent, During: year})
			return err
		}},
		{"a year's bookings", func() error {
			_, err := bookings.ListBookings(ctx, &bayholdv1.ListBookingsRequest{Parent: parent, During: year})
			return err
		}},
		{"use of 8 weeks", func() error {
			_, err := boards.GetUse(ctx, &bayholdv1.GetUseRequest{Parent: parent, FromTime: begin})
			return err
		}},
		{"calibration due", func() error {
			_, err := bayholdv1.NewCalibrationServiceClient(conn).ListDue(ctx, &bayholdv1.ListDueRequest{Parent: parent, HorizonTime: begin})
			return err
		}},
		{"trail, newest", func() error {
			_, err := trail.ShowTrail(ctx, &bayholdv1.ShowTrailRequest{Parent: parent})
			return err
		}},
		{"trail of a tool", func() error {
			_, err := trail.ShowTrail(ctx, &bayholdv1.ShowTrailRequest{Parent: parent, Subjects: []string{parent + "/tools/S-1"}})
			return err
		}},
	}...)
}

// plans makes plans of a bay, two technicians and four tools, which are in nobody's
// way.
func (h *house) plans(slug string, conn *grpc.ClientConn, n int) []*bayholdv1.Plan {
	var out []*bayholdv1.Plan
	for hour := 0; len(out) < n; hour++ {
		answer, err := bayholdv1.NewPlanningServiceClient(conn).CheckJob(h.b.Context(), &bayholdv1.CheckJobRequest{
			Parent: "sites/" + slug, Procedures: []string{"sites/" + slug + "/procedures/hour"},
			StartTime: timestamppb.New(epoch().Add(time.Duration(hour) * time.Hour)),
		})
		must(h.b, err)
		if answer.GetPossible() {
			out = append(out, answer.GetPlan())
		}
	}
	return out
}

// BenchmarkGrowth asks the same of sites with more and more bookings, each on a
// database of its own: 500 stand in the weeks to come, or half of them if there
// are fewer than a thousand, and the rest are past. Sites are asked by turns, so
// that whatever else the machine does falls on all.
func BenchmarkGrowth(b *testing.B) {
	h := open(b)
	b.Log(h.machine())
	const turns = 5
	calls := max(*callsFlag/turns, 1)
	var sizes []float64
	var asked [][]question
	for text := range strings.SplitSeq(*rowsFlag, ",") {
		n, err := strconv.Atoi(text)
		must(b, err)
		other := h.beside(fmt.Sprintf("grown_%d", n))
		conn := other.site("grown")
		other.grow("grown", n)
		b.Logf("%d bookings: served %d ms after the start, %.0f MB", n, other.started.Milliseconds(), other.resident())
		sizes, asked = append(sizes, float64(n)), append(asked, other.growing("grown", conn, (turns+1)*calls))
	}
	b.Logf("%-24s %s p99 of the last to the first", "milliseconds, p50/p99", strings.Repeat(" ", 12*len(sizes)))
	for i, q := range asked[0] {
		all := make([]times, len(sizes))
		for turn := range turns + 1 {
			for n := range sizes {
				got, _ := together(b, 1, calls, func(int, int) error { return asked[n][i].ask() })
				if turn > 0 { // the first is for statements to become known
					all[n] = append(all[n], got...)
				}
			}
		}
		var line strings.Builder
		points := make([]point, len(sizes))
		for n, took := range all {
			points[n] = point{sizes[n], took.at(.5), took.at(.99)}
			fmt.Fprintf(&line, " %5.1f/%-6.1f", points[n].p50, points[n].p99)
		}
		b.Logf("%-24s%s %5.2f", q.name, line.String(), points[len(points)-1].p99/points[0].p99)
		writeCurve(b, curve{title: q.name, x: "bookings", y: "milliseconds", points: points})
	}
}

// beside serves another database of the same PostgreSQL, which is made if there
// is none of that name.
func (h *house) beside(name string) *house {
	ctx := h.b.Context()
	var there bool
	must(h.b, h.db.QueryRow(ctx, "SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)", name).Scan(&there))
	if !there {
		_, err := h.db.Exec(ctx, "CREATE DATABASE "+pgx.Identifier{name}.Sanitize()+" OWNER "+pgx.Identifier{localpg.Role}.Sanitize())
		must(h.b, err)
	}
	of := func(address string) string {
		u, err := url.Parse(address)
		must(h.b, err)
		u.Path = "/" + name
		return u.String()
	}
	out := &house{b: h.b, pg: h.pg, bin: h.bin, url: of(h.url), tokens: map[string]string{}}
	must(h.b, migrations.Up(ctx, of(h.pg.URL()), nil))
	must(h.b, migrations.Grant(ctx, of(h.pg.URL()), localpg.ServerRole))
	var err error
	out.db, err = pgx.Connect(ctx, h.pg.SuperuserURL(name))
	must(h.b, err)
	h.b.Cleanup(func() { _ = out.db.Close(context.Background()) })
	out.serve()
	return out
}

// history writes bookings of the spare tools as they would stand after years: each
// tool is booked four times a day, seven bookings make a job, and each job has its
// event. Keys and indexes are put back as they were.
const history = `
DO $do$
DECLARE
	put_back text[];
	part     record;
	place    bigint := (SELECT site_id FROM site WHERE slug = 'grown');
	most     bigint := $1;
	standing bigint := LEAST(500, most / 2);
	begins   timestamptz := $2;
BEGIN
	FOR part IN
		SELECT format('ALTER TABLE %s DROP CONSTRAINT %I', conrelid::regclass, conname) AS off,
			format('ALTER TABLE %s ADD CONSTRAINT %I %s', conrelid::regclass, conname, pg_get_constraintdef(oid)) AS back
		FROM pg_constraint WHERE conrelid IN ('booking'::regclass, 'job'::regclass, 'event'::regclass) AND contype IN ('f', 'x')
		UNION ALL
		SELECT format('DROP INDEX %I', indexname), indexdef
		FROM pg_indexes i WHERE tablename IN ('booking', 'job', 'event') AND NOT EXISTS (SELECT FROM pg_constraint WHERE conname = indexname)
	LOOP
		EXECUTE part.off;
		put_back := put_back || part.back;
	END LOOP;
	ALTER TABLE event DISABLE TRIGGER seal;
	CREATE TEMPORARY TABLE written ON COMMIT DROP AS
		SELECT g, g / 7 AS job, 'S-' || g % 40 + 1 AS tool, begins + CASE
			WHEN g < standing THEN interval '8 days' + (g / 40) * interval '4 days'
			ELSE interval '8 days' - ((g - standing) / 40 + 1) * interval '6 hours' END AS start
		FROM generate_series(0, most - 1) g;
	ANALYZE written;
	INSERT INTO job (site_id, job_id, reference, engine_family, procedures, state, planned, steps, parts, note, imported, created_at) OVERRIDING SYSTEM VALUE
		SELECT place, job + 1000000, 'grown-' || job, '', '[]', 'CONFIRMED', tstzrange(min(start), max(start) + interval '5 hours'), '[]', '[]', '', false, min(start)
		FROM written GROUP BY job;
	INSERT INTO booking (site_id, job_id, resource_id, during, state, steps)
		SELECT place, w.job + 1000000, r.resource_id, tstzrange(w.start, w.start + interval '5 hours'), 'CONFIRMED', '{}'
		FROM written w JOIN resource r ON r.site_id = place AND r.slug = w.tool;
	INSERT INTO event (site_id, revision, at, actor, kind, subject, touched, request_id, details, method, seal)
		SELECT place, row_number() OVER (ORDER BY job) + 1000, min(start), 'first', 'job.reserved', 'jobs/' || job + 1000000,
			ARRAY['jobs/' || job + 1000000] || array_agg('tools/' || tool), gen_random_uuid(), '{}', 'Reserve', sha256('')
		FROM written GROUP BY job;
	UPDATE site_counter SET revision = (SELECT max(revision) FROM event WHERE site_id = place) WHERE site_id = place;
	ALTER TABLE event ENABLE TRIGGER seal;
	FOR part IN SELECT unnest(put_back) AS back LOOP
		EXECUTE part.back;
	END LOOP;
END $do$`

// grow gives a site its history, unless it has one.
func (h *house) grow(slug string, bookings int) {
	ctx := h.b.Context()
	var has bool
	must(h.b, h.db.QueryRow(ctx, "SELECT EXISTS (SELECT FROM job WHERE reference LIKE 'grown-%')").Scan(&has))
	if has {
		return
	}
	sql := strings.NewReplacer("'grown'", "'"+slug+"'", "$1", strconv.Itoa(bookings), "$2", "'"+epoch().AddDate(0, 0, -8).Format(time.RFC3339)+"'").Replace(history)
	for _, s := range []string{sql, "VACUUM ANALYZE"} {
		_, err := h.db.Exec(ctx, s)
		must(h.b, err)
	}
}
