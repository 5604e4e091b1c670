package bench

import (
	"flag"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

var sitesFlag = flag.String("sites", "1,100,10000", "how many sites there are, one number after the other")

// question is something that is asked of a site.
type question struct {
	name string
	ask  func() error
}

// questions are what is asked of a site again and again. Reserving is one of
// them, each time for another hour.
func (h *house) questions(slug string, conn *grpc.ClientConn) []question {
	ctx, parent := h.b.Context(), "sites/"+slug
	planner, bookings, boards := bayholdv1.NewPlanningServiceClient(conn), bayholdv1.NewBookingServiceClient(conn), bayholdv1.NewBoardServiceClient(conn)
	sixty := []string{parent + "/procedures/sixty"}
	var hour int // those before are taken if the database was measured before
	must(h.b, h.db.QueryRow(ctx, "SELECT count(*) FROM job JOIN site USING (site_id) WHERE slug = $1 AND reference = 'bench'", slug).Scan(&hour))
	return []question{
		{"check 60 steps", func() error {
			_, err := planner.CheckJob(ctx, &bayholdv1.CheckJobRequest{Parent: parent, Procedures: sixty, StartTime: timestamppb.New(epoch())})
			return err
		}},
		{"find 60 steps", func() error {
			_, err := planner.FindPlans(ctx, &bayholdv1.FindPlansRequest{Parent: parent, Procedures: sixty, EarliestTime: timestamppb.New(epoch())})
			return err
		}},
		{"reserve a tool", func() error {
			hour++
			_, err := bookings.Reserve(ctx, reserve(slug, "T-4", epoch().AddDate(0, 6, 0).Add(time.Duration(hour)*time.Hour)))
			return err
		}},
		{"list a week", func() error {
			_, err := bookings.ListBookings(ctx, &bayholdv1.ListBookingsRequest{
				Parent: parent, During: &bayholdv1.TimeRange{Start: timestamppb.New(epoch().AddDate(0, 0, -30)), End: timestamppb.New(epoch().AddDate(0, 0, -23))},
			})
			return err
		}},
		{"week board", func() error {
			_, err := boards.GetBoard(ctx, &bayholdv1.GetBoardRequest{Parent: parent})
			return err
		}},
	}
}

// A question is asked a few times, so that statements are known on the
// connections, and then so often.
const warming, asking = 10, 200

// asked is how long a question takes.
func (h *house) asked(q question) times {
	for range warming {
		must(h.b, q.ask())
	}
	all, _ := together(h.b, 1, asking, func(int, int) error { return q.ask() })
	return all
}

// BenchmarkSites asks the same of one site while there are more and more others
// beside it in the database, each with the same equipment and 28 bookings.
func BenchmarkSites(b *testing.B) {
	h := open(b)
	b.Log(h.machine())
	h.site("model")
	h.grow("model", 28)
	questions := h.questions("one", h.site("one"))
	h.grow("one", 1000)
	for _, sql := range []string{
		"CREATE TABLE public.other_site (n int PRIMARY KEY, site_id bigint, slug text)",
		// Tables are vacuumed when they have been loaded, and not while questions are asked.
		"ALTER SYSTEM SET autovacuum = off", "SELECT pg_reload_conf()",
	} {
		_, err := h.db.Exec(b.Context(), sql)
		must(b, err)
	}
	type answer struct {
		times
		work float64 // ms of processors, of server and PostgreSQL
	}
	alone := map[string]answer{}
	have := 1
	for text := range strings.SplitSeq(*sitesFlag, ",") {
		n, err := strconv.Atoi(text)
		must(b, err)
		began := time.Now()
		h.others(have, n)
		loaded := time.Since(began)
		have = n
		var found int
		var size int64
		must(b, h.db.QueryRow(b.Context(), "SELECT (SELECT count(*) FROM site), pg_database_size(current_database())").Scan(&found, &size))
		b.Logf("%d sites (loaded in %.1f s): the database has %.0f MB; memory: server %.0f MB, PostgreSQL %.0f MB besides its shared buffers",
			found-1, loaded.Seconds(), float64(size)/1e6, h.resident(), h.anonymous())
		for _, q := range questions {
			before := h.spent()
			is := answer{times: h.asked(q)}
			after := h.spent()
			is.work = 1000 * (after[0] + after[1] - before[0] - before[1]) / float64(warming+asking)
			was, ok := alone[q.name]
			if !ok {
				was, alone[q.name] = is, is
			}
			b.Logf("%6d sites, %-15s p50 %6.2f ms, p99 %6.2f ms, work %6.2f ms; %.2f, %.2f and %.2f times what it takes alone", n, q.name,
				is.at(.5), is.at(.99), is.work, is.at(.5)/was.at(.5), is.at(.99)/was.at(.99), is.work/was.work)
		}
	}
}

// others copies the model until there are so many sites besides it. Rows are
// written as they stand in it, so that no trigger and no foreign key has to look
// at each; keys are those that the slugs of the copies have.
func (h *house) others(from, to int) {
	b, ctx := h.b, h.b.Context()
	exec := func(sql string, args ...any) {
		_, err := h.db.Exec(ctx, sql, args...)
		must(b, err)
	}
	exec(`INSERT INTO other_site SELECT n, (key >> 1) & x'7fffffffffffffff'::bigint, slug
		FROM generate_series($1::int + 1, $2::int) n, LATERAL (SELECT 'other-' || n AS slug) s,
			LATERAL (SELECT ('x' || encode(substr(sha256(slug::bytea), 1, 8), 'hex'))::bit(64)::bigint AS key) k`, from, to)
	rows, err := h.db.Query(ctx, `
		SELECT format('INSERT INTO %I (site_id, %s) OVERRIDING SYSTEM VALUE SELECT o.site_id, %s FROM %1$I t, other_site o WHERE t.site_id = (SELECT site_id FROM site WHERE slug = ''model'') AND o.n > $1 AND o.n <= $2',
			c.relname, string_agg(quote_ident(a.attname), ', ' ORDER BY attnum),
			string_agg(CASE WHEN c.relname = 'site' AND a.attname = 'slug' THEN 'o.slug' ELSE 't.' || quote_ident(a.attname) END, ', ' ORDER BY attnum))
		FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND attnum > 0 AND NOT attisdropped AND attgenerated = '' AND attname <> 'site_id'
		WHERE c.relnamespace = 'public'::regnamespace AND c.relkind = 'r' AND c.relname <> 'other_site'
			AND EXISTS (SELECT FROM pg_attribute s WHERE s.attrelid = c.oid AND s.attname = 'site_id')
		GROUP BY c.relname`)
	must(b, err)
	copies, err := pgx.CollectRows(rows, pgx.RowTo[string])
	must(b, err)
	exec("SET session_replication_role = replica")
	for _, sql := range copies {
		exec(sql, from, to)
	}
	exec("RESET session_replication_role")
	exec("VACUUM ANALYZE")
	exec("CHECKPOINT")
}

// anonymous is the memory in MB that the processes of PostgreSQL have each for
// itself.
func (h *house) anonymous() (sum float64) {
	h.processes(func(pid, parent int, _ []string) {
		if pid == h.pg.PID() || parent == h.pg.PID() {
			sum += h.memory(pid, "RssAnon")
		}
	})
	return sum
}
