package rpc

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// everything is a picture of all that the database holds, by table. When a token
// or a certificate was last used is left out: that is noted of dry runs too.
func everything(t *testing.T, pool *pgxpool.Pool) map[string]string {
	t.Helper()
	rows, err := pool.Query(t.Context(), "SELECT tablename::text FROM pg_tables WHERE schemaname = 'public'")
	if err != nil {
		t.Fatal(err)
	}
	var tables []string
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			t.Fatal(err)
		}
		tables = append(tables, name)
	}
	if rows.Err() != nil || len(tables) < 20 {
		t.Fatalf("%d tables: %v", len(tables), rows.Err())
	}
	out := map[string]string{}
	for _, name := range tables {
		var count int
		var sum string
		err := pool.QueryRow(t.Context(), fmt.Sprintf(
			"SELECT count(*), md5(coalesce(string_agg(r, '|' ORDER BY r), '')) FROM (SELECT (to_jsonb(x) - 'certificate_used_at' - 'last_used_at')::text AS r FROM %q x) y", name,
		)).Scan(&count, &sum)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		out[name] = fmt.Sprintf("%d rows, %s", count, sum)
	}
	return out
}

// mutating tells whether a method changes something: its requests have an id.
func mutating(m protoreflect.MethodDescriptor) bool {
	return m.Input().Fields().ByName("request_id") != nil
}

// TestADryRunDoesAllAndWritesNothing asks every method that changes something what
// it would do, with a request that is right, holds the whole database against
// what it was, and then does it in earnest under the same request id.
func TestADryRunDoesAllAndWritesNothing(t *testing.T) {
	t.Parallel()
	c := small(t)
	pool := c.house.db.Pool(t)
	before := everything(t, pool)
	dry := 0
	w := &walk{clients: c, t: t, walked: map[string]bool{}}
	w.first = func(m protoreflect.MethodDescriptor, req proto.Message) {
		before = everything(t, pool)
		if !dryly(t, c.conn, m, req) {
			t.Errorf("%s refuses %v", m.Name(), req)
		}
		dry++
		for table, is := range everything(t, pool) {
			if is != before[table] {
				t.Errorf("%s held %s and holds %s after a dry run of %s", table, before[table], is, m.Name())
			}
		}
	}
	w.then = func(m protoreflect.MethodDescriptor) {
		if now := everything(t, pool); now["event"] == before["event"] || now["request"] == before["request"] {
			t.Errorf("%s in earnest does not show in the log", m.Name())
		}
	}
	w.all()
	for _, m := range everyMethod(t) {
		if !mutating(m) {
			continue
		}
		if m.IsStreamingServer() || m.IsStreamingClient() {
			t.Errorf("%s changes something in a stream, which knows no dry run", m.FullName())
		}
		if !w.walked[string(m.Name())] {
			t.Errorf("%s changes something and is not walked: add it to walk_test.go", m.FullName())
		}
	}
	t.Logf("%d dry runs of %d methods", dry, len(w.walked))
	unharmed(t, c)
}

// TestDryRunsOfAnythingWriteNothing asks for what may be right or nonsense.
func TestDryRunsOfAnythingWriteNothing(t *testing.T) {
	t.Parallel()
	c := small(t)
	pool := c.house.db.Pool(t)
	before := everything(t, pool)
	r := abuser{rand.New(rand.NewPCG(5, 6)), map[codes.Code]int{}}
	for _, m := range everyMethod(t) {
		for range 30 {
			if mutating(m) {
				req := dynamicpb.NewMessage(m.Input())
				r.fill(req, 4)
				dryly(t, c.conn, m, req)
			}
		}
	}
	for table, is := range everything(t, pool) {
		if is != before[table] {
			t.Errorf("%s held %s and holds %s after dry runs", table, before[table], is)
		}
	}
	unharmed(t, c)
	err := second(c.bay.UpdateBay(metadata.AppendToOutgoingContext(t.Context(), dryRunKey, "perhaps"), &bayholdv1.UpdateBayRequest{
		Bay: &bayholdv1.Bay{Name: quay + "/bays/bay-1", DisplayName: "x"}, UpdateMask: mask("display_name"), RequestId: uuid.NewString(),
	}))
	if status.Code(err) != codes.InvalidArgument {
		t.Errorf("a dry run perhaps: %v", err)
	}
}

// dryly asks what a call would do, and tells whether it was answered.
func dryly(t *testing.T, conn *grpc.ClientConn, m protoreflect.MethodDescriptor, req proto.Message) bool {
	t.Helper()
	ctx, cancel := context.WithCancel(metadata.AppendToOutgoingContext(t.Context(), dryRunKey, "true"))
	defer cancel()
	var header metadata.MD
	name := "/" + string(m.Parent().FullName()) + "/" + string(m.Name())
	err := conn.Invoke(ctx, name, req, dynamicpb.NewMessage(m.Output()), grpc.Header(&header))
	switch status.Code(err) {
	case codes.OK:
		if !slices.Equal(header.Get(dryRunKey), []string{"true"}) {
			t.Errorf("%s does not say that it was a dry run: %v", name, header)
		}
		return true
	case codes.Internal, codes.Unknown, codes.Unimplemented, codes.Unavailable, codes.DeadlineExceeded:
		t.Errorf("%s(%.500v): %v", name, req, err)
	}
	return false
}
