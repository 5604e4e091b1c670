package cli

import (
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// procedureCases are the command lines about parts, sheets, versions and what
// else is worth doing.
func procedureCases() []goldenCase {
	waiting := func(f *fake) {
		plan := fixturePlan(7, true)
		plan.PartArrivals = fixtureArrivals()
		f.reply["CheckJob"] = &bayholdv1.CheckJobResponse{Possible: true, Plan: plan}
		found := fixtureFound()
		for _, o := range found.GetOptions() {
			o.Plan.PartArrivals = fixtureArrivals()
		}
		f.reply["FindPlans"] = found
	}
	along := func(list ...*bayholdv1.WhileOpen) func(*fake) {
		return func(f *fake) { f.reply["ListWhileOpen"] = &bayholdv1.ListWhileOpenResponse{Candidates: list} }
	}
	diff := func(d *bayholdv1.DiffProcedureResponse) func(*fake) {
		return func(f *fake) { f.reply["DiffProcedure"] = d }
	}
	findings := func(list ...*bayholdv1.LintFinding) func(*fake) {
		return func(f *fake) { f.reply["LintProcedures"] = &bayholdv1.LintProceduresResponse{Findings: list} }
	}
	full := func(f *fake) {
		p := fixturePreparations()[0]
		p.SetUp, p.PutBack = fixtureFullSteps(), nil
		p.Cautions = []*bayholdv1.Caution{{Signal: bayholdv1.Signal_SIGNAL_DANGER, Text: "The vehicle stands on the lift: arms locked, supports set, before anything heavy comes off."}}
		p.Holds[0].FromStep, p.Holds[0].ToStep = "head-on", "lines-closed"
		f.reply["GetPreparation"] = &bayholdv1.GetPreparationResponse{Preparation: p}
	}
	work := []string{"-p", "belt-orlo-20", "--part", "belt-20=2026-12-01 11:00", "--part", "gasket-20=2026-12-02"}
	job := func(words ...string) []string { return append(append([]string{"job"}, words...), work...) }
	lint := []string{"procedure", "lint", "testdata/workshop.yaml"}
	return []goldenCase{
		{"job-check-parts", job("check", "--start", "2026-12-01 8:00"), waiting},
		{"job-check-parts-no", job("check", "--start", "2026-12-01 8:00"), func(f *fake) {
			f.reply["CheckJob"] = &bayholdv1.CheckJobResponse{Blockers: fixturePartBlockers(), AskedHandBackTime: ts(dec, 2, 11, 0), WaitingPlan: fixturePlan(8, false)}
		}},
		{"job-find-parts-unknown", job("find", "--from", "2026-12-01 8:00"), failing("FindPlans", codes.InvalidArgument, "the parts cannot be used",
			&errdetails.ErrorInfo{Reason: "PARTS", Domain: "bayhold"}, &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
				{Field: "part_arrivals[0].part", Description: `"belt-20" is not on the parts list of these procedures`},
			}})},
		{"job-find-parts", job("find", "--from", "2026-12-01 8:00"), waiting},
		{"job-book-parts", job("book", "--reference", "R-21", "--start", "2026-12-01 8:00"), func(f *fake) {
			f.reply["BookPlan"] = &bayholdv1.BookPlanResponse{Job: fixtureJobWithParts(), Bookings: fixtureBookings()[:1]}
		}},
		{"job-show-parts", []string{"job", "show", "21"}, nil},
		{"job-parts", []string{"job", "parts", "21"}, nil},
		{"job-parts-none", []string{"job", "parts", "17"}, nil},
		{"job-parts-reservation", []string{"job", "parts", "19"}, nil},
		{"job-part-late", []string{"job", "part", "21", "belt-20", "--expected", "tue 11:00"}, nil},
		{"job-part-expected", []string{"job", "part", "21", "pin", "--expected", "2026-11-27"}, nil},
		{"job-part-here", []string{"job", "part", "21", "belt-20", "--here"}, nil},
		{"job-part-unknown", []string{"job", "part", "21", "oil", "--unknown"}, nil},
		{"job-part-not-found", []string{"job", "part", "21", "blet-20", "--here"}, nil},
		{"job-while-open", []string{"job", "while-open", "21"}, nil},
		{"job-while-open-why", []string{"job", "while-open", "21", "--why"}, nil},
		{"job-while-open-procedures", []string{"job", "while-open", "-p", "belt-orlo-20"}, nil},
		{"job-while-open-full", []string{"job", "while-open", "21"}, along(noRoom(fixtureInSlot())...)},
		{"job-while-open-begun", []string{"job", "while-open", "17"}, along(fixtureWhileOpen()[1:3]...)},
		{"job-while-open-refused", []string{"job", "while-open", "-p", "belt-orlo-20"}, along(fixtureWhileOpen()[4])},
		{"job-while-open-none", []string{"job", "while-open", "17"}, along()},
		{"job-while-open-reservation", []string{"job", "while-open", "19"}, failing("ListWhileOpen", codes.FailedPrecondition, "job 19 holds no bay for procedures: ask with --procedure instead")},
		{"job-sheet", []string{"job", "sheet", "21"}, nil},
		{"job-sheet-html", []string{"job", "sheet", "21", "--html"}, nil},
		{"tooltype-show-ratio", []string{"tooltype", "show", "multiplier"}, nil},
		{"preparation-show-full", []string{"preparation", "show", "cover-off"}, full},
		{"procedure-diff", []string{"procedure", "diff", "belt-orlo-20", "--from", "1"}, nil},
		{"procedure-diff-same", []string{"procedure", "diff", "belt-orlo-20", "--from", "1", "--to", "2"}, diff(&bayholdv1.DiffProcedureResponse{FromVersion: 1, ToVersion: 2})},
		{"procedure-diff-itself", []string{"procedure", "diff", "belt-orlo-20", "--from", "2"}, diff(&bayholdv1.DiffProcedureResponse{FromVersion: 2, ToVersion: 2})},
		{"procedure-issue", []string{"procedure", "issue", "belt-orlo-20", "--version", "3"}, nil},
		{"procedure-withdraw", []string{"procedure", "withdraw", "belt-orlo-20", "--version", "1"}, nil},
		{"procedure-withdraw-standing", []string{"procedure", "withdraw", "belt-orlo-20", "--version", "1"}, func(f *fake) {
			f.reply["UpdateProcedure"] = &bayholdv1.UpdateProcedureResponse{
				Procedure:    &bayholdv1.Procedure{Name: "sites/north/procedures/belt-orlo-20", DisplayName: "Belt kit", Version: 1, State: bayholdv1.ProcedureState_PROCEDURE_STATE_WITHDRAWN},
				StandingJobs: []string{"sites/north/jobs/17", "sites/north/jobs/21"},
			}
		}},
		{"procedure-withdraw-draft", []string{"procedure", "withdraw", "belt-orlo-20", "--version", "3"}, failing("UpdateProcedure", codes.FailedPrecondition, "version 3 of belt-orlo-20 is DRAFT and cannot become WITHDRAWN")},
		{"procedure-lint", lint, nil},
		{"procedure-lint-advice", lint, findings(fixtureFindings()[0])},
		{"procedure-lint-clean", lint, findings()},
	}
}
