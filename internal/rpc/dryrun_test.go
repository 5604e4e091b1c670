package rpc

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"bayhold/internal/pgtest"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// everything is a picture of all that the database holds, by table. When a
// token was last used is left out: that is noted of dry runs too.
func everything(t *testing.T, db *pgtest.DB) map[string]string {
	t.Helper()
	pool := db.Pool(t)
	defer pool.Close()
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
			"SELECT count(*), md5(coalesce(string_agg(r, '|' ORDER BY r), '')) FROM (SELECT (to_jsonb(x) - 'used_at' - 'last_used_at')::text AS r FROM %q x) y", name,
		)).Scan(&count, &sum)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		out[name] = fmt.Sprintf("%d rows, %s", count, sum)
	}
	return out
}

// rightRequests are some that are answered, where chance seldom finds one.
var rightRequests = map[string]string{
	"UpdateSite":       `{"site": {"name": "sites/quay", "displayName": "Other quay"}, "updateMask": "displayName"}`,
	"UpdateBay":        `{"bay": {"name": "quay/bays/bay-1", "displayName": "x"}, "updateMask": "displayName"}`,
	"UpdateTechnician": `{"technician": {"name": "quay/technicians/ada", "displayName": "x"}, "updateMask": "displayName"}`,
	"UpdateTool":       `{"tool": {"name": "quay/tools/LK-1", "home": "elsewhere"}, "updateMask": "home"}`,
	"CreateTool":       `{"tool": {"name": "quay/tools/ZZ-9", "toolType": "quay/toolTypes/wrench-200"}}`,
	"Reserve": `{"parent": "sites/quay", "resources": ["quay/bays/bay-1"], "reference": "R-9", "state": "BOOKING_STATE_CONFIRMED",
		"during": {"start": "2031-06-20T08:00:00Z", "end": "2031-06-20T09:00:00Z"}}`,
	"AddUser":        `{"parent": "sites/quay", "user": {"name": "quay/users/zoe", "roles": ["ROLE_MANAGER"]}}`,
	"MakeToken":      `{"parent": "quay/users/test", "tokenId": "second"}`,
	"IssueTools":     `{"parent": "sites/quay", "tools": ["quay/tools/LK-1"], "technician": "quay/technicians/ada", "withoutBooking": true}`,
	"ImportWorkshop": `{"parent": "sites/quay", "files": [{"name": "a.yaml", "content": "YmF5czoKICAtIHtpZDogYmF5LTc3LCBuYW1lOiBCYXkgNzd9Cg=="}]}`,
	"RevokeToken":    `{"name": "quay/users/test/tokens/first"}`,
}

// mutating tells whether a method changes something: its requests have an id.
func mutating(m protoreflect.MethodDescriptor) bool {
	return m.Input().Fields().ByName("request_id") != nil
}

// TestDryRunsWriteNothing asks every method that changes something what it would
// do, many times with likely messages, and holds the whole database against what
// it was.
func TestDryRunsWriteNothing(t *testing.T) {
	t.Parallel()
	c := small(t)
	before := everything(t, c.house.db)
	r := abuser{rand.New(rand.NewPCG(5, 6)), map[codes.Code]int{}}
	var answered, refused []string
	for _, m := range everyMethod(t) {
		if !mutating(m) {
			continue
		}
		if m.IsStreamingServer() || m.IsStreamingClient() {
			t.Errorf("%s changes something in a stream, which knows no dry run", m.FullName())
		}
		heard := false
		if right := rightRequests[string(m.Name())]; right != "" {
			req := dynamicpb.NewMessage(m.Input())
			if err := protojson.Unmarshal([]byte(strings.ReplaceAll(right, "quay/", quay+"/")), req); err != nil {
				t.Fatalf("%s: %v", m.Name(), err)
			}
			req.Set(m.Input().Fields().ByName("request_id"), protoreflect.ValueOfString(uuid.NewString()))
			if heard = dryly(t, c.conn, m, req); !heard {
				t.Errorf("%s refuses %s", m.Name(), right)
			}
		}
		for range 60 {
			req := dynamicpb.NewMessage(m.Input())
			r.fill(req, 4)
			heard = dryly(t, c.conn, m, req) || heard
		}
		if heard {
			answered = append(answered, string(m.Name()))
		} else {
			refused = append(refused, string(m.Name()))
		}
	}
	t.Logf("answered: %v; always refused, for want of a right message: %v", answered, refused)
	if len(answered) < 10 {
		t.Errorf("only %d methods were answered: %v", len(answered), answered)
	}
	for table, is := range everything(t, c.house.db) {
		if is != before[table] {
			t.Errorf("%s held %s and holds %s after dry runs", table, before[table], is)
		}
	}
	unharmed(t, c)

	// The same act, done in earnest, shows.
	req := &bayholdv1.UpdateBayRequest{
		Bay:        &bayholdv1.Bay{Name: quay + "/bays/bay-1", DisplayName: "renamed"},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"display_name"}}, RequestId: "4a5b7a4e-3c1b-4a62-9d6a-8f2f2a0c4a77",
	}
	dry, err := c.bay.UpdateBay(metadata.AppendToOutgoingContext(t.Context(), dryRunKey, "true"), req)
	if err != nil || dry.GetBay().GetDisplayName() != "renamed" {
		t.Errorf("the dry run: %v, %v", dry, err)
	}
	if is := everything(t, c.house.db)["bay"]; is != before["bay"] {
		t.Error("the dry run renamed the bay")
	}
	if _, err := c.bay.UpdateBay(t.Context(), req); err != nil {
		t.Errorf("in earnest, with the same request id: %v", err)
	}
	for _, table := range []string{"event", "request"} {
		if everything(t, c.house.db)[table] == before[table] {
			t.Errorf("what was done in earnest does not show in %s", table)
		}
	}
	_, err = c.bay.UpdateBay(metadata.AppendToOutgoingContext(t.Context(), dryRunKey, "perhaps"), req)
	if status.Code(err) != codes.InvalidArgument {
		t.Errorf("a dry run perhaps: %v", err)
	}
}

// dryly asks what a call would do, and tells whether it was answered.
func dryly(t *testing.T, conn *grpc.ClientConn, m protoreflect.MethodDescriptor, req *dynamicpb.Message) bool {
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
