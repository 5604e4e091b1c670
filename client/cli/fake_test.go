package cli

import (
	"bytes"
	"context"
	"errors"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// fake is a server that answers from the fixture, and as a test wants it to.
type fake struct {
	bayholdv1.UnimplementedSiteServiceServer
	bayholdv1.UnimplementedBayServiceServer
	bayholdv1.UnimplementedTechnicianServiceServer
	bayholdv1.UnimplementedToolServiceServer
	bayholdv1.UnimplementedIssueServiceServer
	bayholdv1.UnimplementedCalibrationServiceServer
	bayholdv1.UnimplementedTraceServiceServer
	bayholdv1.UnimplementedIntervalServiceServer
	bayholdv1.UnimplementedLeaveServiceServer
	bayholdv1.UnimplementedProcedureServiceServer
	bayholdv1.UnimplementedPlanningServiceServer
	bayholdv1.UnimplementedBookingServiceServer
	bayholdv1.UnimplementedJobServiceServer
	bayholdv1.UnimplementedArrangementServiceServer
	bayholdv1.UnimplementedWatchServiceServer
	bayholdv1.UnimplementedForecastServiceServer
	bayholdv1.UnimplementedBoardServiceServer
	bayholdv1.UnimplementedTrailServiceServer
	bayholdv1.UnimplementedAccessServiceServer
	bayholdv1.UnimplementedRecordServiceServer

	addr string

	knowsDryRuns bool // says so in its answers

	mu    sync.Mutex
	calls []proto.Message          // every request, in order
	fail  map[string]func() error  // by method name: an error instead of the answer
	reply map[string]proto.Message // by method name: this answer instead
	sites []*bayholdv1.Site

	search search // what is told of an arrangement
	watch  watch  // what is told to those who watch
}

// newFake starts a fake on loopback and stops it with the test.
func newFake(t *testing.T) *fake {
	t.Helper()
	f := &fake{fail: map[string]func() error{}, reply: map[string]proto.Message{}, sites: []*bayholdv1.Site{fixtureSite()}}
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	f.addr = lis.Addr().String()
	srv := grpc.NewServer(grpc.UnaryInterceptor(f.intercept))
	bayholdv1.RegisterSiteServiceServer(srv, f)
	bayholdv1.RegisterBayServiceServer(srv, f)
	bayholdv1.RegisterTechnicianServiceServer(srv, f)
	bayholdv1.RegisterToolServiceServer(srv, f)
	bayholdv1.RegisterIssueServiceServer(srv, f)
	bayholdv1.RegisterCalibrationServiceServer(srv, f)
	bayholdv1.RegisterTraceServiceServer(srv, f)
	bayholdv1.RegisterIntervalServiceServer(srv, f)
	bayholdv1.RegisterLeaveServiceServer(srv, f)
	bayholdv1.RegisterProcedureServiceServer(srv, f)
	bayholdv1.RegisterPlanningServiceServer(srv, f)
	bayholdv1.RegisterBookingServiceServer(srv, f)
	bayholdv1.RegisterJobServiceServer(srv, f)
	bayholdv1.RegisterArrangementServiceServer(srv, f)
	bayholdv1.RegisterWatchServiceServer(srv, f)
	bayholdv1.RegisterForecastServiceServer(srv, f)
	bayholdv1.RegisterBoardServiceServer(srv, f)
	bayholdv1.RegisterTrailServiceServer(srv, f)
	bayholdv1.RegisterAccessServiceServer(srv, f)
	bayholdv1.RegisterRecordServiceServer(srv, f)
	done := make(chan error, 1)
	go func() { done <- srv.Serve(lis) }()
	t.Cleanup(func() {
		srv.Stop()
		if err := <-done; err != nil && !errors.Is(err, grpc.ErrServerStopped) {
			t.Error(err)
		}
	})
	return f
}

// intercept notes the request, and answers as the test wants.
func (f *fake) intercept(ctx context.Context, req any, info *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
	method := info.FullMethod[strings.LastIndexByte(info.FullMethod, '/')+1:]
	if md, _ := metadata.FromIncomingContext(ctx); f.knowsDryRuns && len(md.Get("bayhold-dry-run")) > 0 {
		if err := grpc.SetHeader(ctx, metadata.Pairs("bayhold-dry-run", "true")); err != nil {
			return nil, err
		}
	}
	f.mu.Lock()
	f.calls = append(f.calls, proto.Clone(req.(proto.Message)))
	fail, reply := f.fail[method], f.reply[method]
	f.mu.Unlock()
	if fail != nil {
		if err := fail(); err != nil {
			return nil, err
		}
	}
	if reply != nil {
		return reply, nil
	}
	return handle(ctx, req)
}

// last gives the newest request of a type.
func last[M proto.Message](t *testing.T, f *fake) M {
	t.Helper()
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, c := range slices.Backward(f.calls) {
		if m, ok := c.(M); ok {
			return m
		}
	}
	var none M
	t.Fatalf("no request of type %T", none)
	return none
}

// result is what one command line did.
type result struct {
	code     int
	out, err string
}

// runWith runs a command line with an environment.
func runWith(t *testing.T, env map[string]string, in string, args ...string) result {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	var out, errs bytes.Buffer
	code := Run(ctx, args, Streams{In: strings.NewReader(in), Out: &out, Err: &errs},
		func(k string) string { return env[k] }, func() time.Time { return testNow })
	return result{code, out.String(), errs.String()}
}

// run runs a command line against the fake.
func (f *fake) run(t *testing.T, args ...string) result {
	t.Helper()
	return runWith(t, f.env(t), "", args...)
}

// env is an environment that leads to the fake and to empty directories.
func (f *fake) env(t *testing.T) map[string]string {
	t.Helper()
	return map[string]string{"BAYHOLD_SERVER": f.addr, "HOME": t.TempDir()}
}

// page cuts a listing into pages of two, so that every list is read in pages.
func page[T any](list []T, token string) ([]T, string) {
	from := len(token) // the token's length is the place
	to := min(from+2, len(list))
	if to == len(list) {
		return list[from:], ""
	}
	return list[from:to], strings.Repeat("x", to)
}

// named finds a thing by its name.
func named[T interface{ GetName() string }](list []T, name string) (T, error) {
	for _, x := range list {
		if x.GetName() == name {
			return x, nil
		}
	}
	var none T
	return none, status.Errorf(codes.NotFound, "%s does not exist", name)
}

func (f *fake) GetSite(_ context.Context, r *bayholdv1.GetSiteRequest) (*bayholdv1.GetSiteResponse, error) {
	s, err := named(f.sites, r.GetName())
	return &bayholdv1.GetSiteResponse{Site: s}, err
}

func (f *fake) ListSites(_ context.Context, r *bayholdv1.ListSitesRequest) (*bayholdv1.ListSitesResponse, error) {
	list, next := page(f.sites, r.GetPageToken())
	return &bayholdv1.ListSitesResponse{Sites: list, NextPageToken: next}, nil
}

func (f *fake) UpdateSite(_ context.Context, r *bayholdv1.UpdateSiteRequest) (*bayholdv1.UpdateSiteResponse, error) {
	s := fixtureSite()
	for _, p := range r.GetUpdateMask().GetPaths() {
		if p == "display_name" {
			s.DisplayName = r.GetSite().GetDisplayName()
		}
	}
	return &bayholdv1.UpdateSiteResponse{Site: s}, nil
}

func (f *fake) ImportWorkshop(_ context.Context, r *bayholdv1.ImportWorkshopRequest) (*bayholdv1.ImportWorkshopResponse, error) {
	if len(r.GetFiles()[0].GetMapping()) > 0 {
		return &bayholdv1.ImportWorkshopResponse{
			Site: fixtureSite(), Counts: []*bayholdv1.ImportCount{{Kind: "bay"}, {Kind: "technician", Changed: 1}, {Kind: "standing booking", Added: 1, Unchanged: 4}},
			Changes: []*bayholdv1.ImportChange{
				{Kind: "technician", Id: "ada", Fields: []*bayholdv1.ImportedField{
					{Key: "mon", Before: "08:00-12:00, 12:30-16:00", After: "08:00-12:00"}, {Key: "sat", After: "08:00-12:00"},
				}},
				{Kind: "standing booking", Id: "W-501", Added: true, Fields: []*bayholdv1.ImportedField{{Key: "bay-1", After: "2026-12-03 08:00 to 12:00"}}},
			},
			ChangesLeftOut: 3, Notices: []string{"shifts.csv: columns that shifts.map.yaml does not name are left out: H (Wage)"},
		}, nil
	}
	return &bayholdv1.ImportWorkshopResponse{Site: fixtureSite(), Counts: []*bayholdv1.ImportCount{
		{Kind: "bay", Added: 3}, {Kind: "tool type", Changed: 1, Unchanged: 11},
	}}, nil
}

func (f *fake) SuggestMapping(_ context.Context, r *bayholdv1.SuggestMappingRequest) (*bayholdv1.SuggestMappingResponse, error) {
	return &bayholdv1.SuggestMappingResponse{Mapping: []byte("# How " + r.GetFile().GetName() + " is read.\nrows: " + first(r.GetRows(), "shifts") + "\n")}, nil
}

func (f *fake) GetBay(_ context.Context, r *bayholdv1.GetBayRequest) (*bayholdv1.GetBayResponse, error) {
	b, err := named(fixtureBays(), r.GetName())
	return &bayholdv1.GetBayResponse{Bay: b}, err
}

func (f *fake) ListBays(_ context.Context, r *bayholdv1.ListBaysRequest) (*bayholdv1.ListBaysResponse, error) {
	list, next := page(fixtureBays(), r.GetPageToken())
	return &bayholdv1.ListBaysResponse{Bays: list, NextPageToken: next}, nil
}

func (f *fake) UpdateBay(_ context.Context, r *bayholdv1.UpdateBayRequest) (*bayholdv1.UpdateBayResponse, error) {
	return &bayholdv1.UpdateBayResponse{Bay: r.GetBay()}, nil
}

func (f *fake) GetTechnician(_ context.Context, r *bayholdv1.GetTechnicianRequest) (*bayholdv1.GetTechnicianResponse, error) {
	p, err := named(fixtureTechnicians(), r.GetName())
	return &bayholdv1.GetTechnicianResponse{Technician: p}, err
}

func (f *fake) ListTechnicians(_ context.Context, r *bayholdv1.ListTechniciansRequest) (*bayholdv1.ListTechniciansResponse, error) {
	list, next := page(fixtureTechnicians(), r.GetPageToken())
	return &bayholdv1.ListTechniciansResponse{Technicians: list, NextPageToken: next}, nil
}

func (f *fake) UpdateTechnician(_ context.Context, r *bayholdv1.UpdateTechnicianRequest) (*bayholdv1.UpdateTechnicianResponse, error) {
	return &bayholdv1.UpdateTechnicianResponse{Technician: r.GetTechnician()}, nil
}

func (f *fake) GetToolType(_ context.Context, r *bayholdv1.GetToolTypeRequest) (*bayholdv1.GetToolTypeResponse, error) {
	t, err := named(fixtureToolTypes(), r.GetName())
	return &bayholdv1.GetToolTypeResponse{ToolType: t}, err
}

func (f *fake) ListToolTypes(_ context.Context, r *bayholdv1.ListToolTypesRequest) (*bayholdv1.ListToolTypesResponse, error) {
	list, next := page(fixtureToolTypes(), r.GetPageToken())
	return &bayholdv1.ListToolTypesResponse{ToolTypes: list, NextPageToken: next}, nil
}

func (f *fake) GetTool(_ context.Context, r *bayholdv1.GetToolRequest) (*bayholdv1.GetToolResponse, error) {
	t, err := named(fixtureTools(), r.GetName())
	return &bayholdv1.GetToolResponse{Tool: t}, err
}

func (f *fake) ListTools(_ context.Context, r *bayholdv1.ListToolsRequest) (*bayholdv1.ListToolsResponse, error) {
	list, next := page(fixtureTools(), r.GetPageToken())
	out := &bayholdv1.ListToolsResponse{Tools: list, NextPageToken: next}
	if r.GetCalibrationEndsBy() != nil && next == "" {
		out.AffectedBookings = fixtureBookings()[4:5]
	}
	return out, nil
}

func (f *fake) UpdateTool(_ context.Context, r *bayholdv1.UpdateToolRequest) (*bayholdv1.UpdateToolResponse, error) {
	t, err := named(fixtureTools(), r.GetTool().GetName())
	if err != nil {
		return nil, err
	}
	t.Condition, t.ConditionUntil, t.ConditionNote = r.GetTool().GetCondition(), r.GetTool().GetConditionUntil(), r.GetTool().GetConditionNote()
	return &bayholdv1.UpdateToolResponse{Tool: t, AffectedBookings: fixtureBookings()[4:5]}, nil
}

func (f *fake) ListEngineFamilies(context.Context, *bayholdv1.ListEngineFamiliesRequest) (*bayholdv1.ListEngineFamiliesResponse, error) {
	return &bayholdv1.ListEngineFamiliesResponse{EngineFamilies: []*bayholdv1.EngineFamily{
		{Name: harbour + "/engineFamilies/orlo-20", DisplayName: "Orlo 20, two litres, belt"},
	}}, nil
}

func (f *fake) GetPreparation(_ context.Context, r *bayholdv1.GetPreparationRequest) (*bayholdv1.GetPreparationResponse, error) {
	p, err := named(fixturePreparations(), r.GetName())
	return &bayholdv1.GetPreparationResponse{Preparation: p}, err
}

func (f *fake) ListPreparations(context.Context, *bayholdv1.ListPreparationsRequest) (*bayholdv1.ListPreparationsResponse, error) {
	return &bayholdv1.ListPreparationsResponse{Preparations: fixturePreparations()}, nil
}

func (f *fake) GetProcedure(_ context.Context, r *bayholdv1.GetProcedureRequest) (*bayholdv1.GetProcedureResponse, error) {
	p, err := named(fixtureProcedures(), r.GetName())
	return &bayholdv1.GetProcedureResponse{Procedure: p}, err
}

func (f *fake) ListProcedures(context.Context, *bayholdv1.ListProceduresRequest) (*bayholdv1.ListProceduresResponse, error) {
	return &bayholdv1.ListProceduresResponse{Procedures: fixtureProcedures()}, nil
}

func (f *fake) UpdateProcedure(_ context.Context, r *bayholdv1.UpdateProcedureRequest) (*bayholdv1.UpdateProcedureResponse, error) {
	p, err := named(fixtureProcedures(), r.GetProcedure().GetName())
	if err == nil {
		p.Version, p.State = r.GetProcedure().GetVersion(), r.GetProcedure().GetState()
	}
	return &bayholdv1.UpdateProcedureResponse{Procedure: p}, err
}

func (f *fake) DiffProcedure(context.Context, *bayholdv1.DiffProcedureRequest) (*bayholdv1.DiffProcedureResponse, error) {
	return fixtureDiff(), nil
}

func (f *fake) LintProcedures(context.Context, *bayholdv1.LintProceduresRequest) (*bayholdv1.LintProceduresResponse, error) {
	return &bayholdv1.LintProceduresResponse{Findings: fixtureFindings()}, nil
}

func (f *fake) ListWhileOpen(_ context.Context, r *bayholdv1.ListWhileOpenRequest) (*bayholdv1.ListWhileOpenResponse, error) {
	if r.GetJob() != "" {
		return &bayholdv1.ListWhileOpenResponse{Candidates: fixtureInSlot()}, nil
	}
	return &bayholdv1.ListWhileOpenResponse{Candidates: fixtureWhileOpen()}, nil
}

func (f *fake) CheckJob(context.Context, *bayholdv1.CheckJobRequest) (*bayholdv1.CheckJobResponse, error) {
	return &bayholdv1.CheckJobResponse{Possible: true, Plan: fixturePlan(7, true)}, nil
}

func (f *fake) FindPlans(context.Context, *bayholdv1.FindPlansRequest) (*bayholdv1.FindPlansResponse, error) {
	return fixtureFound(), nil
}

// booked is a job of a plan or a reservation as it stands after booking.
func booked(reference string, state bayholdv1.BookingState, expire bool) *bayholdv1.Job {
	j := &bayholdv1.Job{Name: harbour + "/jobs/20", Reference: reference, State: state}
	if expire {
		j.ExpireTime = ts(nov, 27, 9, 13)
	}
	return j
}

func (f *fake) BookPlan(_ context.Context, r *bayholdv1.BookPlanRequest) (*bayholdv1.BookPlanResponse, error) {
	j := booked(r.GetReference(), r.GetState(), r.GetExpireTime() != nil)
	j.Planned = during(r.GetPlan().GetStartTime(), r.GetPlan().GetHandBackTime())
	j.PromiseTime = r.GetPromiseTime()
	out := &bayholdv1.BookPlanResponse{Job: j}
	for i, b := range r.GetPlan().GetBookings() {
		out.Bookings = append(out.Bookings, &bayholdv1.Booking{
			Name: harbour + "/bookings/20" + string(rune('0'+i)), Job: j.GetName(), Reference: r.GetReference(),
			Resource: b.GetResource(), During: during(b.GetStartTime(), b.GetEndTime()), State: r.GetState(),
		})
	}
	return out, nil
}

func (f *fake) Reserve(_ context.Context, r *bayholdv1.ReserveRequest) (*bayholdv1.ReserveResponse, error) {
	out := &bayholdv1.ReserveResponse{Job: booked(r.GetReference(), r.GetState(), r.GetExpireTime() != nil)}
	for _, name := range r.GetResources() {
		out.Bookings = append(out.Bookings, &bayholdv1.Booking{
			Name: harbour + "/bookings/301", Reference: r.GetReference(), Resource: name, During: r.GetDuring(), State: r.GetState(),
		})
	}
	return out, nil
}

func (f *fake) ConfirmJob(_ context.Context, r *bayholdv1.ConfirmJobRequest) (*bayholdv1.ConfirmJobResponse, error) {
	j, err := named(fixtureJobs(), r.GetName())
	if err == nil {
		j.State, j.ExpireTime = confirmed, nil
	}
	return &bayholdv1.ConfirmJobResponse{Job: j}, err
}

func (f *fake) CancelJob(_ context.Context, r *bayholdv1.CancelJobRequest) (*bayholdv1.CancelJobResponse, error) {
	j, err := named(fixtureJobs(), r.GetName())
	if err == nil {
		j.State = cancelled
	}
	return &bayholdv1.CancelJobResponse{Job: j}, err
}

func (f *fake) GetBooking(_ context.Context, r *bayholdv1.GetBookingRequest) (*bayholdv1.GetBookingResponse, error) {
	b, err := named(fixtureBookings(), r.GetName())
	return &bayholdv1.GetBookingResponse{Booking: b}, err
}

func (f *fake) ListBookings(_ context.Context, r *bayholdv1.ListBookingsRequest) (*bayholdv1.ListBookingsResponse, error) {
	wanted := slices.DeleteFunc(fixtureBookings(), func(b *bayholdv1.Booking) bool {
		return r.GetResource() != "" && b.GetResource() != r.GetResource() || r.GetJob() != "" && b.GetJob() != r.GetJob()
	})
	list, next := page(wanted, r.GetPageToken())
	return &bayholdv1.ListBookingsResponse{Bookings: list, NextPageToken: next}, nil
}

func (f *fake) GetJob(_ context.Context, r *bayholdv1.GetJobRequest) (*bayholdv1.GetJobResponse, error) {
	j, err := named(fixtureJobs(), r.GetName())
	return &bayholdv1.GetJobResponse{Job: j}, err
}

// UpdateJobPart marks the part and answers the steps that begin before it is
// there.
func (f *fake) UpdateJobPart(_ context.Context, r *bayholdv1.UpdateJobPartRequest) (*bayholdv1.UpdateJobPartResponse, error) {
	j, err := named(fixtureJobs(), r.GetName())
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.UpdateJobPartResponse{Job: j}
	for _, p := range j.GetParts() {
		if p.GetId() != r.GetPart() {
			continue
		}
		p.State, p.ExpectedTime = r.GetState(), r.GetExpectedTime()
		for _, s := range j.GetSteps() {
			if slices.Contains(p.GetSteps(), s.GetId()) && s.GetDuring().GetStart().AsTime().Before(r.GetExpectedTime().AsTime()) {
				out.AffectedSteps = append(out.AffectedSteps, s)
			}
		}
		return out, nil
	}
	return nil, status.Errorf(codes.NotFound, "%s has no part %q on its list", r.GetName(), r.GetPart())
}

func (f *fake) GetJobSheet(_ context.Context, r *bayholdv1.GetJobSheetRequest) (*bayholdv1.GetJobSheetResponse, error) {
	if _, err := named(fixtureJobs(), r.GetName()); err != nil {
		return nil, err
	}
	if r.GetFormat() == bayholdv1.SheetFormat_SHEET_FORMAT_HTML {
		return &bayholdv1.GetJobSheetResponse{Content: "<!doctype html>\n<title>R-21</title>\n", ContentType: "text/html; charset=utf-8"}, nil
	}
	return &bayholdv1.GetJobSheetResponse{Content: fixtureSheet, ContentType: "text/plain; charset=utf-8"}, nil
}

func (f *fake) ListJobs(_ context.Context, r *bayholdv1.ListJobsRequest) (*bayholdv1.ListJobsResponse, error) {
	list, next := page(fixtureJobs(), r.GetPageToken())
	return &bayholdv1.ListJobsResponse{Jobs: list, NextPageToken: next}, nil
}
