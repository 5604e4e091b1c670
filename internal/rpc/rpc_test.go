package rpc

import (
	"context"
	"io"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"bayhold/internal/access"
	"bayhold/internal/board"
	"bayhold/internal/feed"
	"bayhold/internal/pgtest"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const quay = "sites/quay"

// monday is 07:00 in Lisbon, before the small workshop's first shift.
var monday = time.Date(2031, 5, 12, 6, 0, 0, 0, time.UTC)

// clients are the generated clients of one server.
type clients struct {
	conn        *grpc.ClientConn
	site        bayholdv1.SiteServiceClient
	bay         bayholdv1.BayServiceClient
	tech        bayholdv1.TechnicianServiceClient
	tool        bayholdv1.ToolServiceClient
	proc        bayholdv1.ProcedureServiceClient
	planning    bayholdv1.PlanningServiceClient
	booking     bayholdv1.BookingServiceClient
	job         bayholdv1.JobServiceClient
	calibration bayholdv1.CalibrationServiceClient
	house       *house
}

// house is the server behind, as those see it who stand on its machine.
type house struct {
	shop   *workshop.Workshop
	server *Server
	db     *pgtest.DB
	lis    *bufconn.Listener
	log    *logbook
	token  string // of the user "test"
	// closeStore takes the database away.
	closeStore func()
	// ahead is how many nanoseconds the server's clock is past monday.
	ahead atomic.Int64
}

func (h *house) now() time.Time { return monday.Add(time.Duration(h.ahead.Load())) }

// enrol makes a user on the server's machine, and the site if there is none,
// and gives the text of their first token.
func (h *house) enrol(t *testing.T, siteID string, u site.User) string {
	t.Helper()
	act := workshop.Act{Site: siteID, RequestID: uuid.New(), Method: "enrol", Caller: access.Caller{User: "test"}}
	made, err := h.shop.Enrol(t.Context(), act, workshop.Enrolment{
		User: u, Token: "first", Site: site.Site{ID: siteID, Name: siteID, TimeZone: "Europe/Lisbon"},
	})
	if err != nil {
		t.Fatal(err)
	}
	return made.Made.Secret
}

// dial makes a connection that shows a token; none if it is empty.
func (h *house) dial(t *testing.T, token string) *grpc.ClientConn {
	t.Helper()
	opts := []grpc.DialOption{
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return h.lis.DialContext(ctx) }),
		grpc.WithDefaultCallOptions(grpc.MaxCallSendMsgSize(64 << 20)),
	}
	if token != "" {
		opts = append(opts, grpc.WithPerRPCCredentials(bearer(token)))
	}
	conn, err := grpc.NewClient("passthrough:///bufnet", opts...)
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

// serve runs a server on an empty database but for the site quay, whose user
// "test" has all roles, behind an in-memory listener. The clients show their token.
func serve(t *testing.T, opts Options) clients {
	t.Helper()
	db := pgtest.New(t)
	s, err := store.Open(t.Context(), db.URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	h := &house{lis: bufconn.Listen(1 << 20), log: &logbook{}, closeStore: s.Close, db: db}
	h.shop = workshop.New(s, h.now)
	opts.Boards, opts.Pictures = board.Boards{}, board.Pictures{}
	opts.Log, opts.Sheets = slog.New(slog.NewJSONHandler(h.log, &slog.HandlerOptions{Level: slog.LevelDebug, ReplaceAttr: access.HideAttr})), board.Sheets{}
	opts.Feed, opts.Door = feed.New(s, opts.Log), access.NewDoor(s, h.now, opts.Log)
	background, stop := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { opts.Feed.Run(background) })
	wg.Go(func() { opts.Door.Run(background) })
	server := New(h.shop, opts)
	h.server = server
	done := make(chan error, 1)
	go func() { done <- server.Serve(h.lis) }()
	t.Cleanup(func() {
		server.EndStreams()
		server.Stop()
		stop()
		wg.Wait()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	h.token = h.enrol(t, "quay", site.User{ID: "test", Roles: access.Roles})
	conn := h.dial(t, h.token)
	return clients{
		conn: conn, site: bayholdv1.NewSiteServiceClient(conn), bay: bayholdv1.NewBayServiceClient(conn),
		tech: bayholdv1.NewTechnicianServiceClient(conn), tool: bayholdv1.NewToolServiceClient(conn),
		proc: bayholdv1.NewProcedureServiceClient(conn), planning: bayholdv1.NewPlanningServiceClient(conn),
		booking: bayholdv1.NewBookingServiceClient(conn), job: bayholdv1.NewJobServiceClient(conn),
		calibration: bayholdv1.NewCalibrationServiceClient(conn), house: h,
	}
}

// small serves the small workshop with its data.
func small(t *testing.T) clients {
	t.Helper()
	return smallWith(t, Options{})
}

// smallWith is small with options.
func smallWith(t *testing.T, opts Options) clients {
	t.Helper()
	c := serve(t, opts)
	content, err := os.ReadFile("../workshop/testdata/small.yaml")
	if err != nil {
		t.Fatal(err)
	}
	_, err = c.site.ImportWorkshop(t.Context(), &bayholdv1.ImportWorkshopRequest{
		Files: []*bayholdv1.WorkshopFile{{Name: "small.yaml", Content: content}}, RequestId: uuid.NewString(),
	})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func at(day, hour int) *timestamppb.Timestamp {
	return timestamppb.New(time.Date(2031, 5, day, hour-1, 0, 0, 0, time.UTC))
}

func wantCode(t *testing.T, err error, want codes.Code) {
	t.Helper()
	if got := status.Code(err); got != want {
		t.Errorf("got %v (%v), want %v", got, err, want)
	}
}

// detail finds a detail of a status; nil if there is none.
func detail[T any](err error) T {
	for _, d := range status.Convert(err).Details() {
		if v, ok := d.(T); ok {
			return v
		}
	}
	var none T
	return none
}

func TestMainJobOverTheWire(t *testing.T) {
	t.Parallel()
	c := small(t)
	ctx := t.Context()
	check, err := c.planning.CheckJob(ctx, &bayholdv1.CheckJobRequest{
		Parent: quay, Procedures: []string{quay + "/procedures/chain"}, StartTime: at(15, 8),
	})
	if err != nil {
		t.Fatal(err)
	}
	if check.GetPossible() || len(check.GetBlockers()) == 0 || check.GetBlockers()[0].GetReference() != "W-101" {
		t.Fatalf("check: %v", check)
	}
	found, err := c.planning.FindPlans(ctx, &bayholdv1.FindPlansRequest{
		Parent: quay, Procedures: []string{quay + "/procedures/chain"}, EarliestTime: at(15, 8),
	})
	if err != nil || found.GetOutcome() != bayholdv1.FindPlansResponse_OUTCOME_FOUND {
		t.Fatalf("find: %v, %v", found, err)
	}
	order := &bayholdv1.BookPlanRequest{
		Parent: quay, RequestId: uuid.NewString(), Reference: "W-500", Plan: found.GetOptions()[0].GetPlan(),
		State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED,
	}
	booked, err := c.booking.BookPlan(ctx, order)
	if err != nil {
		t.Fatal(err)
	}
	again, err := c.booking.BookPlan(ctx, order)
	if err != nil || again.GetJob().GetName() != booked.GetJob().GetName() {
		t.Errorf("the same request: %v, %v", again, err)
	}
	order.RequestId = uuid.NewString()
	_, err = c.booking.BookPlan(ctx, order)
	wantCode(t, err, codes.Aborted)
	lost := detail[*bayholdv1.BookingConflict](err)
	if lost == nil || len(lost.GetHeld()) == 0 || lost.GetHeld()[0].GetReference() != "W-500" ||
		!strings.HasPrefix(lost.GetHeld()[0].GetResource(), quay+"/") {
		t.Errorf("the loser hears %v", lost)
	}
	got, err := c.job.GetJob(ctx, &bayholdv1.GetJobRequest{Name: booked.GetJob().GetName()})
	if err != nil || len(got.GetJob().GetSteps()) == 0 {
		t.Errorf("the job: %v, %v", got, err)
	}
	gone, err := c.booking.CancelJob(ctx, &bayholdv1.CancelJobRequest{Name: booked.GetJob().GetName(), RequestId: uuid.NewString()})
	if err != nil || gone.GetJob().GetState() != bayholdv1.BookingState_BOOKING_STATE_CANCELLED {
		t.Errorf("cancelled: %v, %v", gone, err)
	}
}

func TestPagesAreWholeAndTheirTokensTheirOwn(t *testing.T) {
	t.Parallel()
	c := small(t)
	var tags []string
	req := &bayholdv1.ListToolsRequest{Parent: quay, PageSize: 2}
	var token string
	for {
		page, err := c.tool.ListTools(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		for _, tool := range page.GetTools() {
			tags = append(tags, tool.GetName()[len(quay+"/tools/"):])
		}
		if page.GetNextPageToken() == "" {
			break
		}
		token = page.GetNextPageToken()
		req.PageToken = token
	}
	if got := strings.Join(tags, " "); got != "JG-1 LK-1 MU-1 TW-1 TW-2 TX-9" {
		t.Errorf("tools page by page: %s", got)
	}
	for name, err := range map[string]error{
		"of another list": second(c.bay.ListBays(t.Context(), &bayholdv1.ListBaysRequest{Parent: quay, PageToken: token})),
		"of other filters": second(c.tool.ListTools(t.Context(), &bayholdv1.ListToolsRequest{
			Parent: quay, PageToken: token, ToolType: quay + "/toolTypes/wrench-200",
		})),
		"made up":  second(c.bay.ListBays(t.Context(), &bayholdv1.ListBaysRequest{Parent: quay, PageToken: "AAAA"})),
		"negative": second(c.bay.ListBays(t.Context(), &bayholdv1.ListBaysRequest{Parent: quay, PageSize: -1})),
	} {
		if status.Code(err) != codes.InvalidArgument {
			t.Errorf("a token %s: %v", name, err)
		}
	}
}

func second[T any](_ T, err error) error { return err }

func TestBookingsPageByStart(t *testing.T) {
	t.Parallel()
	c := small(t)
	req := &bayholdv1.ListBookingsRequest{Parent: quay, PageSize: 1, During: &bayholdv1.TimeRange{Start: at(12, 8), End: at(20, 8)}}
	var got []string
	for {
		page, err := c.booking.ListBookings(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range page.GetBookings() {
			got = append(got, b.GetReference())
		}
		if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
			break
		}
	}
	if strings.Join(got, " ") != "W-100 W-101" {
		t.Errorf("bookings page by page: %v", got)
	}
}

func TestUpdatesChangeWhatTheMaskNames(t *testing.T) {
	t.Parallel()
	c := small(t)
	ctx := t.Context()
	bay, err := c.bay.UpdateBay(ctx, &bayholdv1.UpdateBayRequest{
		Bay:        &bayholdv1.Bay{Name: quay + "/bays/bay-1", DisplayName: "Door side"},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"display_name"}}, RequestId: uuid.NewString(),
	})
	if err != nil || bay.GetBay().GetDisplayName() != "Door side" || len(bay.GetBay().GetFeatures()) != 1 {
		t.Errorf("bay %v: %v", bay, err)
	}
	who, err := c.tech.GetTechnician(ctx, &bayholdv1.GetTechnicianRequest{Name: quay + "/technicians/ada"})
	if err != nil {
		t.Fatal(err)
	}
	who.Technician.Shifts = who.GetTechnician().GetShifts()[1:]
	who.Technician.ShiftExceptions = []*bayholdv1.ShiftException{{Date: "2031-05-19", Stretches: []*bayholdv1.Stretch{{StartMinute: 600, EndMinute: 660}}}}
	changed, err := c.tech.UpdateTechnician(ctx, &bayholdv1.UpdateTechnicianRequest{
		Technician: who.GetTechnician(), UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"shifts", "shift_exceptions"}}, RequestId: uuid.NewString(),
	})
	if err != nil || len(changed.GetTechnician().GetShifts()) != 4 || len(changed.GetTechnician().GetShiftExceptions()) != 1 {
		t.Errorf("technician %v: %v", changed, err)
	}
	for name, mask := range map[string][]string{"nothing": nil, "the name": {"name"}, "what there is not": {"colour"}} {
		_, err := c.bay.UpdateBay(ctx, &bayholdv1.UpdateBayRequest{
			Bay: &bayholdv1.Bay{Name: quay + "/bays/bay-1"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: mask}, RequestId: uuid.NewString(),
		})
		if status.Code(err) != codes.InvalidArgument {
			t.Errorf("a mask of %s: %v", name, err)
		}
	}
	site, err := c.site.UpdateSite(ctx, &bayholdv1.UpdateSiteRequest{
		Site:       &bayholdv1.Site{Name: quay, TimeZone: "Mars/Olympus"},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"time_zone"}}, RequestId: uuid.NewString(),
	})
	if status.Code(err) != codes.InvalidArgument {
		t.Errorf("a zone that does not exist: %v, %v", site, err)
	}
}

func TestHealthIsOpenAndReflectionIsNot(t *testing.T) {
	t.Parallel()
	c := serve(t, Options{})
	nobody := c.house.dial(t, "")
	if _, err := healthpb.NewHealthClient(nobody).Check(t.Context(), &healthpb.HealthCheckRequest{}); err != nil {
		t.Errorf("health needs no token: %v", err)
	}
	list := &reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{}}
	stream, err := reflectionpb.NewServerReflectionClient(nobody).ServerReflectionInfo(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	_, err = stream.Recv()
	wantCode(t, err, codes.Unauthenticated)

	stream, err = reflectionpb.NewServerReflectionClient(c.conn).ServerReflectionInfo(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.Send(list); err != nil {
		t.Fatal(err)
	}
	answer, err := stream.Recv()
	if err != nil || len(answer.GetListServicesResponse().GetService()) < 10 {
		t.Errorf("reflection: %v, %v", answer, err)
	}
	if err := stream.CloseSend(); err != nil {
		t.Error(err)
	}
	if _, err := stream.Recv(); err != io.EOF {
		t.Errorf("after the end: %v", err)
	}
}
