package rpc

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"

	"bayhold/internal/access"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// Who may call what, written by hand and apart from the contract: m manager,
// t technician, a administrator; "open" needs no token, "user" any token.
var mayCall = map[string]string{
	"AccessService/WhoAmI":      "mta",
	"AccessService/GetUser":     "ma",
	"AccessService/ListUsers":   "ma",
	"AccessService/AddUser":     "a",
	"AccessService/UpdateUser":  "a",
	"AccessService/ListTokens":  "mta",
	"AccessService/MakeToken":   "mta",
	"AccessService/RevokeToken": "mta",

	"ForecastService/ForecastJob":       "mta",
	"ForecastService/ForecastPlan":      "m",
	"ForecastService/ForecastSite":      "ma",
	"ForecastService/ReviewPromises":    "ma",
	"ForecastService/GetProcedureTimes": "mta",
	"ForecastService/RunStudy":          "ma",

	"ArrangementService/ArrangeJobs":     "m",
	"ArrangementService/ProposeRepair":   "ma",
	"ArrangementService/BookArrangement": "m",

	"BayService/GetBay":    "mta",
	"BayService/ListBays":  "mta",
	"BayService/UpdateBay": "m",

	"BoardService/GetBoard":   "mta",
	"BoardService/GetUse":     "mta",
	"BoardService/CreateLink": "a",
	"BoardService/ListLinks":  "a",
	"BoardService/RevokeLink": "a",

	"BookingService/BookPlan":     "m",
	"BookingService/Reserve":      "mt",
	"BookingService/ConfirmJob":   "m",
	"BookingService/CancelJob":    "mt",
	"BookingService/GetBooking":   "mta",
	"BookingService/ListBookings": "mta",

	"CalibrationService/RecordCertificate": "a",
	"CalibrationService/GetCertificate":    "mta",
	"CalibrationService/ListCertificates":  "mta",
	"CalibrationService/RecordCheck":       "ta",
	"CalibrationService/RecordToolEvent":   "mta",
	"CalibrationService/ListDue":           "mta",
	"CalibrationService/ReviewInterval":    "ma",
	"CalibrationService/AuditCalibration":  "ma",

	"TraceService/TraceTool":         "ma",
	"TraceService/CloseTraceLines":   "a",
	"TraceService/ImportTightenings": "a",
	"TraceService/GetAuditPage":      "ma",

	"IntervalService/GetCalibrationPolicy": "mta",
	"IntervalService/SetCalibrationPolicy": "a",
	"IntervalService/ApplyInterval":        "a",

	"LeaveService/FindLeaves": "ma",
	"LeaveService/BookLeave":  "ma",

	"JobService/GetJob":        "mta",
	"JobService/ListJobs":      "mta",
	"JobService/UpdateJobPart": "mt",
	"JobService/GetJobSheet":   "mta",

	"PlanningService/CheckJob":      "mta",
	"PlanningService/FindPlans":     "mta",
	"PlanningService/ExplainJob":    "mta",
	"PlanningService/ListWhileOpen": "mta",

	"ProcedureService/ListEngineFamilies": "mta",
	"ProcedureService/GetPreparation":     "mta",
	"ProcedureService/ListPreparations":   "mta",
	"ProcedureService/GetProcedure":       "mta",
	"ProcedureService/ListProcedures":     "mta",
	"ProcedureService/UpdateProcedure":    "m",
	"ProcedureService/DiffProcedure":      "mta",
	"ProcedureService/LintProcedures":     "mta",

	"RecordService/StartStep":      "mt",
	"RecordService/PauseStep":      "mt",
	"RecordService/FinishStep":     "mt",
	"RecordService/SignStep":       "mt",
	"RecordService/WaiveStep":      "m",
	"RecordService/ReportDelay":    "mt",
	"RecordService/RecordReadings": "mt",
	"RecordService/CorrectReading": "mt",
	"RecordService/TickPart":       "mt",
	"RecordService/CloseJob":       "m",
	"RecordService/GetStep":        "mta",
	"RecordService/GetDay":         "mta",
	"RecordService/GetJobRecord":   "mta",

	"SiteService/GetSite":        "mta",
	"SiteService/ListSites":      "mta",
	"SiteService/UpdateSite":     "ma",
	"SiteService/ImportWorkshop": "ma",
	"SiteService/SuggestMapping": "ma",

	"TechnicianService/GetTechnician":    "mta",
	"TechnicianService/ListTechnicians":  "mta",
	"TechnicianService/UpdateTechnician": "m",

	"ToolService/GetToolType":    "mta",
	"ToolService/ListToolTypes":  "mta",
	"ToolService/GetTool":        "mta",
	"ToolService/ListTools":      "mta",
	"ToolService/UpdateTool":     "a",
	"ToolService/CreateTool":     "a",
	"ToolService/CreateToolType": "a",
	"ToolService/UpdateToolType": "a",
	"ToolService/ExportTools":    "mta",

	"IssueService/IssueTools":     "mta",
	"IssueService/ReturnTool":     "mta",
	"IssueService/HandOverTools":  "mta",
	"IssueService/WhereAreTools":  "mta",
	"IssueService/GetToolHistory": "mta",

	"TrailService/VerifyTrail": "ma",
	"TrailService/ShowTrail":   "ma",

	"WatchService/Watch": "mta",

	"grpc.health.v1.Health/Check": "open",
	"grpc.health.v1.Health/List":  "open",
	"grpc.health.v1.Health/Watch": "open",

	"grpc.reflection.v1.ServerReflection/ServerReflectionInfo":      "user",
	"grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo": "user",
}

// siteless are the methods whose requests name no site: they answer for the
// caller's own.
var siteless = []string{"AccessService/WhoAmI", "SiteService/ListSites"}

// verdict is what a caller may meet.
type verdict string

const (
	let     verdict = "let through"
	unknown verdict = "UNAUTHENTICATED"
	role    verdict = "PERMISSION_DENIED for the role"
	foreign verdict = "PERMISSION_DENIED for the site"
)

// judged reads the verdict out of what a method answered.
func judged(err error) verdict {
	reason := detail[*errdetails.ErrorInfo](err).GetReason()
	switch {
	case status.Code(err) == codes.Unauthenticated:
		return unknown
	case reason == "ROLE":
		return role
	case reason == "OTHER_SITE":
		return foreign
	}
	return let
}

// guest is somebody who tries every method.
type guest struct {
	name  string
	conn  *grpc.ClientConn
	roles string // m, t, a; empty for somebody who is nobody here
	site  string // that they ask about
}

// want is the verdict that the table above leads to.
func (g guest) want(method string) verdict {
	may := mayCall[method]
	switch {
	case may == "open":
		return let
	case g.roles == "":
		return unknown
	case may != "user" && !strings.ContainsAny(may, g.roles):
		return role
	case g.site != "quay" && may != "user" && !slices.Contains(siteless, method):
		return foreign
	}
	return let
}

// guests are all the sorts of people who may come: each role at its own site, at
// another and at one that does not exist; nobody, and those who are somebody no
// longer.
func guests(t *testing.T, c clients) []guest {
	t.Helper()
	h := c.house
	h.enrol(t, "moor", site.User{ID: "other", Roles: access.Roles}) // makes the other site
	var out []guest
	for letter, u := range map[string]site.User{
		"m":  {ID: "mia", Roles: []site.Role{access.Manager}},
		"t":  {ID: "ada", Roles: []site.Role{access.Technician}, Technician: "ada"},
		"a":  {ID: "ann", Roles: []site.Role{access.Administrator}},
		"mt": {ID: "ben", Roles: []site.Role{access.Manager, access.Technician}, Technician: "ben"},
	} {
		conn := h.dial(t, h.enrol(t, "quay", u))
		for _, of := range []string{"quay", "moor", "nowhere"} {
			out = append(out, guest{name: fmt.Sprintf("%s at %s", letter, of), conn: conn, roles: letter, site: of})
		}
	}
	for name, spoil := range map[string]func(user string){
		"somebody whose token was revoked": func(user string) {
			if _, err := h.shop.RevokeToken(t.Context(), h.act(), user, "first"); err != nil {
				t.Fatal(err)
			}
		},
		"somebody who is disabled": func(user string) {
			if _, err := h.shop.EditUser(t.Context(), h.act(), user, func(u *site.User) { u.Disable(true, monday) }); err != nil {
				t.Fatal(err)
			}
		},
	} {
		id := strings.ReplaceAll(name, " ", "-")
		conn := h.dial(t, h.enrol(t, "quay", site.User{ID: id, Roles: access.Roles}))
		spoil(id)
		out = append(out, guest{name: name, conn: conn, site: "quay"})
	}
	made, err := h.shop.MakeToken(t.Context(), h.act(), site.Token{User: "test", Name: "short", Expires: monday.Add(time.Minute)})
	if err != nil {
		t.Fatal(err)
	}
	h.ahead.Store(int64(time.Minute)) // to the very end of it
	return append(out,
		guest{name: "somebody whose token has expired", conn: h.dial(t, made.Secret), site: "quay"},
		guest{name: "somebody without a token", conn: h.dial(t, ""), site: "quay"},
		guest{name: "somebody with a made-up token", conn: h.dial(t, access.NewToken("quay")), site: "quay"},
		guest{name: "somebody with a token of no such site", conn: h.dial(t, access.NewToken("nowhere")), site: "nowhere"},
		guest{name: "somebody with a password", conn: h.dial(t, "open sesame"), site: "quay"},
	)
}

// act is by somebody on the server's machine.
func (h *house) act() workshop.Act {
	return workshop.Act{Site: "quay", RequestID: uuid.New(), Method: "test", Caller: access.Caller{User: "test"}}
}

// TestEveryMethodLetsThroughWhomItShould holds the server against the table, for
// every method that it has and everybody who may come.
func TestEveryMethodLetsThroughWhomItShould(t *testing.T) {
	t.Parallel()
	c := small(t)
	all := guests(t, c)
	calls, seen := 0, map[string]bool{}
	for service, info := range c.house.server.GetServiceInfo() {
		d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(service))
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range info.Methods {
			method := strings.TrimPrefix(service, "bayhold.v1.") + "/" + m.Name
			seen[method] = true
			if mayCall[method] == "" {
				t.Errorf("%s has no line in the table of access_test.go: write who may call it", method)
				continue
			}
			for _, g := range all {
				calls++
				err := knock(t, g, d.(protoreflect.ServiceDescriptor).Methods().ByName(protoreflect.Name(m.Name)))
				if got, want := judged(err), g.want(method); got != want {
					t.Errorf("%s by %s: %s (%v), want %s", method, g.name, got, err, want)
				}
			}
		}
	}
	for method := range mayCall {
		if !seen[method] {
			t.Errorf("the server has no %s: take its line out of the table", method)
		}
	}
	t.Logf("%d calls of %d methods", calls, len(seen))
}

// knock calls a method with next to nothing in the request but the site.
func knock(t *testing.T, g guest, m protoreflect.MethodDescriptor) error {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	req := dynamicpb.NewMessage(m.Input())
	about(req, "sites/"+g.site)
	name := "/" + string(m.Parent().FullName()) + "/" + string(m.Name())
	if !m.IsStreamingServer() {
		return g.conn.Invoke(ctx, name, req, dynamicpb.NewMessage(m.Output()))
	}
	stream, err := g.conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true, ClientStreams: m.IsStreamingClient()}, name)
	if err != nil {
		return err
	}
	if err := errors.Join(stream.SendMsg(req), stream.CloseSend()); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if string(m.Name()) == "Watch" && g.roles != "" { // it answers at once only if it refuses
		go func() {
			select {
			case <-time.After(200 * time.Millisecond):
				cancel()
			case <-ctx.Done():
			}
		}()
	}
	err = stream.RecvMsg(dynamicpb.NewMessage(m.Output()))
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// about puts a name of a site where a request names what it is about.
func about(m protoreflect.Message, name string) bool {
	for _, field := range []protoreflect.Name{"parent", "name"} {
		if f := m.Descriptor().Fields().ByName(field); f != nil && f.Kind() == protoreflect.StringKind && !f.IsList() {
			m.Set(f, protoreflect.ValueOfString(name))
			return true
		}
	}
	for i := range m.Descriptor().Fields().Len() {
		f := m.Descriptor().Fields().Get(i)
		if f.Message() != nil && !f.IsList() && !f.IsMap() && about(m.Mutable(f).Message(), name) {
			return true
		}
	}
	return false
}

func TestEveryRequestNamesItsSite(t *testing.T) {
	t.Parallel()
	protoregistry.GlobalFiles.RangeFilesByPackage("bayhold.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			methods := f.Services().Get(i).Methods()
			for k := range methods.Len() {
				m := methods.Get(k)
				req := dynamicpb.NewMessage(m.Input())
				about(req, "sites/moor")
				short := string(m.Parent().Name()) + "/" + string(m.Name())
				if got, want := siteOf(req), !slices.Contains(siteless, short); (got == "moor") != want {
					t.Errorf("the guard finds the site %q in a request of %s", got, short)
				}
			}
		}
		return true
	})
}

func TestWhatHasNoRuleIsRefusedToEverybody(t *testing.T) {
	t.Parallel()
	c := serve(t, Options{})
	g := c.house.server.guard
	ctx := withToken(t.Context(), c.house.token)
	if _, err := g.admit(ctx, "/bayhold.v1.SiteService/GetSite"); err != nil {
		t.Errorf("a method with a rule: %v", err)
	}
	_, err := g.admit(ctx, "/bayhold.v1.SiteService/Demolish")
	if status.Code(asStatus(ctx, nil, "", "", err)) != codes.PermissionDenied {
		t.Errorf("a method without a rule: %v", err)
	}
	if roles := rolesOfMethod("bayhold.v1.SiteService.Demolish"); roles != nil {
		t.Errorf("a method that does not exist is for %v", roles)
	}
}

// TestRefusalsTellNothingOfOtherSites wants the same words for a site that there
// is and one that there is not, and for a thing there and none.
func TestRefusalsTellNothingOfOtherSites(t *testing.T) {
	t.Parallel()
	c := small(t)
	c.house.enrol(t, "moor", site.User{ID: "other", Roles: access.Roles})
	ask := func(name string) string {
		_, err := c.tool.GetTool(t.Context(), &bayholdv1.GetToolRequest{Name: name})
		return strings.ReplaceAll(fmt.Sprint(err), name, "NAME")
	}
	there, nowhere := ask("sites/moor/tools/LK-1"), ask("sites/nowhere/tools/LK-1")
	if there != nowhere || !strings.Contains(there, "quay") {
		t.Errorf("%q is not %q", there, nowhere)
	}
	_, err := c.site.ImportWorkshop(t.Context(), &bayholdv1.ImportWorkshopRequest{
		RequestId: uuid.NewString(),
		Files:     []*bayholdv1.WorkshopFile{{Name: "a.yaml", Content: []byte("site: {id: moor, name: Taken, time_zone: UTC}")}},
	})
	if judged(err) != foreign {
		t.Errorf("files for another site: %v", err)
	}
	list, err := c.site.ListSites(t.Context(), &bayholdv1.ListSitesRequest{})
	if err != nil || len(list.GetSites()) != 1 || list.GetSites()[0].GetName() != quay {
		t.Errorf("the sites are %v: %v", list, err)
	}
	_, err = c.booking.Reserve(t.Context(), &bayholdv1.ReserveRequest{
		Parent: quay, RequestId: uuid.NewString(), Reference: "W-9", Resources: []string{"sites/moor/tools/LK-1"},
		State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED, During: &bayholdv1.TimeRange{Start: at(12, 8), End: at(12, 9)},
	})
	wantCode(t, err, codes.InvalidArgument)
}

// TestARevokedTokenIsWorthNothingSoon goes by the server's clock: it believes
// what it read for access.Fresh, and a stream ends too.
func TestARevokedTokenIsWorthNothingSoon(t *testing.T) {
	t.Parallel()
	c := serve(t, Options{})
	h := c.house
	conn := h.dial(t, h.enrol(t, "quay", site.User{ID: "eve", Roles: access.Roles}))
	sites := bayholdv1.NewSiteServiceClient(conn)
	ask := func() error { return second(sites.GetSite(t.Context(), &bayholdv1.GetSiteRequest{Name: quay})) }
	if err := ask(); err != nil {
		t.Fatal(err)
	}
	watch, err := bayholdv1.NewWatchServiceClient(conn).Watch(t.Context(), &bayholdv1.WatchRequest{Parent: quay})
	if err != nil {
		t.Fatal(err)
	}
	admin := bayholdv1.NewAccessServiceClient(c.conn)
	_, err = admin.RevokeToken(t.Context(), &bayholdv1.RevokeTokenRequest{Name: quay + "/users/eve/tokens/first", RequestId: uuid.NewString()})
	if err != nil {
		t.Fatal(err)
	}
	h.ahead.Store(int64(access.Fresh))
	if err := ask(); detail[*errdetails.ErrorInfo](err).GetReason() != "TOKEN_REVOKED" {
		t.Errorf("after %v: %v", access.Fresh, err)
	}
	for err = nil; err == nil; {
		_, err = watch.Recv()
	}
	if detail[*errdetails.ErrorInfo](err).GetReason() != "TOKEN_REVOKED" {
		t.Errorf("the stream ended with %v", err)
	}
}

// TestATechnicianGivesUpTheirOwnReservationOnly lets them cancel what they
// reserved, and neither what another did nor a planned job.
func TestATechnicianGivesUpTheirOwnReservationOnly(t *testing.T) {
	t.Parallel()
	c := small(t)
	as := func(id string) bayholdv1.BookingServiceClient {
		token := c.house.enrol(t, "quay", site.User{ID: id + "-user", Technician: id, Roles: []access.Role{access.Technician}})
		return bayholdv1.NewBookingServiceClient(c.house.dial(t, token))
	}
	ada, ben := as("ada"), as("ben")
	reserve := func(who bayholdv1.BookingServiceClient, day int) string {
		got, err := who.Reserve(t.Context(), &bayholdv1.ReserveRequest{
			Parent: quay, Reference: "R-1", Resources: []string{lk1}, State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED, RequestId: uuid.NewString(),
			During: &bayholdv1.TimeRange{Start: at(day, 8), End: at(day, 9)},
		})
		if err != nil {
			t.Fatal(err)
		}
		return got.GetJob().GetName()
	}
	cancel := func(who bayholdv1.BookingServiceClient, job string) error {
		return second(who.CancelJob(t.Context(), &bayholdv1.CancelJobRequest{Name: job, RequestId: uuid.NewString()}))
	}
	adas, bens, managers := reserve(ada, 20), reserve(ben, 21), reserve(c.booking, 22)
	for name, job := range map[string]string{
		"another's": bens, "a manager's": managers, "a planned job": c.chainJob(t), "one from a file": quay + "/jobs/1",
	} {
		if err := cancel(ada, job); detail[*errdetails.ErrorInfo](err).GetReason() != "OWN_NAME" {
			t.Errorf("%s: %v", name, err)
		}
	}
	for range 2 { // the second time it is cancelled already, which is no error
		if err := cancel(ada, adas); err != nil {
			t.Errorf("their own: %v", err)
		}
	}
	reserve(ben, 20) // what it held is free
	if err := cancel(c.booking, bens); err != nil {
		t.Errorf("a manager: %v", err)
	}
}

// withToken makes the context of a call that came with a token.
func withToken(ctx context.Context, token string) context.Context {
	return metadata.NewIncomingContext(ctx, metadata.Pairs("authorization", "bearer "+token))
}
