package cli

import (
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// arrangeCases are the command lines about what binds a job, about many jobs
// together and about what breaks.
func arrangeCases() []goldenCase {
	explain := func(words ...string) []string {
		return append([]string{"job", "explain", "-p", "belt-orlo-20"}, words...)
	}
	explained := func(r *bayholdv1.ExplainJobResponse) func(*fake) { return func(f *fake) { f.reply["ExplainJob"] = r } }
	found := func(list ...*bayholdv1.ArrangeJobsResponse) func(*fake) {
		return func(f *fake) { f.search = search{told: list} }
	}
	broken := func(r *bayholdv1.ProposeRepairResponse) func(*fake) {
		return func(f *fake) { f.reply["ProposeRepair"] = r }
	}
	homeless := fixtureRepair()
	homeless.Jobs = append(homeless.Jobs, fixtureArranged()[2], &bayholdv1.ArrangedJob{
		Job: harbour + "/jobs/22", Reference: "R-22", Planned: during(ts(dec, 3, 8, 0), ts(dec, 3, 11, 0)),
	})
	onlyHomeless := fixtureRepair()
	onlyHomeless.Jobs, onlyHomeless.PromisesMoved, onlyHomeless.BookingsMoved, onlyHomeless.MinutesMoved = fixtureArranged()[2:3], 0, 0, 0
	stays := &bayholdv1.ArrangeJobsResponse{Jobs: []*bayholdv1.ArrangedJob{replanned("R-19", "anna")}, Schedules: 512, Done: true}
	arrange := []string{"job", "arrange", "--job", "18,19", "--new", "R-51=belt-orlo-20,pump@2026-12-01/2026-12-04 16:00", "--new", "R-52=belt-orlo-20@+2d"}
	out := []string{"job", "repair", "--out", "TW-04", "--until", "2026-11-27 12:00"}
	overrun := []string{"job", "repair", "--overrun", "21/belt/change=+90"}
	return []goldenCase{
		{"job-explain", explain("--from", "2026-11-26 8:00"), nil},
		{"job-explain-start", explain("--start", "2026-12-01 8:00"), nil},
		{"job-explain-one", explain("--start", "2026-12-01 8:00"), explained(&bayholdv1.ExplainJobResponse{HandBackTime: ts(dec, 3, 9, 0), SmallestSet: fixtureBlockers()[2:]})},
		{"job-explain-possible", explain("--start", "2026-12-01 8:00"), explained(&bayholdv1.ExplainJobResponse{HandBackTime: ts(dec, 2, 11, 0), StartPossible: true})},
		{"job-explain-no-help", explain("--start", "2026-12-01 8:00"), explained(&bayholdv1.ExplainJobResponse{HandBackTime: ts(dec, 3, 11, 0)})},
		{"job-explain-none", explain("--from", "2026-11-26 8:00", "--horizon", "2026-12-01"), explained(&bayholdv1.ExplainJobResponse{
			Reliefs: []*bayholdv1.Relief{{Kind: bayholdv1.Relief_KIND_ONE_MORE, Need: "valve locking set, orlo-20", HandBackTime: ts(nov, 30, 16, 0)}},
		})},
		{"job-explain-hopeless", explain("--from", "2026-11-26 8:00"), explained(&bayholdv1.ExplainJobResponse{})},
		{"job-explain-when", explain(), nil},
		{"job-arrange", arrange, nil},
		{"job-arrange-json", append(arrange, "--output", "json"), nil},
		{"job-arrange-no-place", arrange, found(&bayholdv1.ArrangeJobsResponse{Jobs: append(fixtureArranged(), &bayholdv1.ArrangedJob{Reference: "R-53"}), LateMinutes: 1380, LateBoundMinutes: 1380, Schedules: 999, Done: true})},
		{"job-arrange-stays", []string{"job", "arrange", "--job", "19"}, found(stays)},
		{"job-arrange-begun", []string{"job", "arrange", "--job", "17"}, failing("ArrangeJobs", codes.FailedPrecondition, "job 17 has begun and stays where it is", &errdetails.ErrorInfo{Reason: "BEGUN", Domain: "bayhold"})},
		{"job-arrange-what", []string{"job", "arrange"}, nil},
		{"job-arrange-syntax", []string{"job", "arrange", "--new", "R-51=belt-orlo-20"}, nil},
		{"job-move", []string{"job", "move", "--arrangement", "testdata/arrangement.kept", "--reason", "make room"}, nil},
		{"job-move-lost", []string{"job", "move", "--arrangement", "testdata/arrangement.kept"}, failing("BookArrangement", codes.Aborted, "another booking came first", winners())},
		{"job-repair-out", out, nil},
		{"job-repair-out-nothing", out, broken(&bayholdv1.ProposeRepairResponse{})},
		{"job-repair-out-unknown", []string{"job", "repair", "--out", "TW-99", "--until", "2026-11-27"}, nil},
		{"job-repair-overrun", overrun, nil},
		{"job-repair-overrun-step", []string{"job", "repair", "--overrun", "21/chain=+90"}, nil},
		{"job-repair-no-place", append(out, "--horizon", "2026-12-18"), broken(homeless)},
		{"job-repair-no-place-book", append(overrun, "--book"), broken(onlyHomeless)},
		{"job-repair-book", append(overrun, "--book", "--reason", "bolt broke off"), nil},
		{"job-repair-lost", append(out, "--book"), failing("BookArrangement", codes.Aborted, "another booking came first", winners())},
		{"job-repair-what", []string{"job", "repair"}, nil},
	}
}
