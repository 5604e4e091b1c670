package cli

import (
	"context"
	"errors"
	"net"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func fixtureOutcome(state bayholdv1.StepState, change func(*bayholdv1.StepOutcome)) *bayholdv1.StepOutcome {
	out := &bayholdv1.StepOutcome{Job: fixtureJobs()[0], Step: "belt/change", Title: "Change the belt", State: state}
	if change != nil {
		change(out)
	}
	return out
}

func fixtureReadings() []*bayholdv1.Reading {
	low, high := 43.2, 46.8
	return []*bayholdv1.Reading{
		{Id: 41, Kind: bayholdv1.ReadingKind_READING_KIND_TORQUE, Fastener: 1, Stage: 1, Attempt: 1, Unit: "N·m", Value: 45, Low: &low, High: &high,
			Tool: harbour + "/tools/TW-03", Technician: harbour + "/technicians/anna", ActTime: ts(dec, 1, 9, 0)},
		{Id: 42, Kind: bayholdv1.ReadingKind_READING_KIND_TORQUE, Fastener: 2, Stage: 1, Attempt: 1, Unit: "N·m", Value: 54, Low: &low, High: &high, Outside: true,
			Tool: harbour + "/tools/TW-03", Technician: harbour + "/technicians/anna", ActTime: ts(dec, 1, 9, 0)},
		{Id: 43, Kind: bayholdv1.ReadingKind_READING_KIND_CHECK, Check: "belt-seated", Value: 1, Technician: harbour + "/technicians/anna", ActTime: ts(dec, 1, 9, 5)},
	}
}

func fixtureLacking() []*bayholdv1.RecordBlocker {
	return []*bayholdv1.RecordBlocker{
		{Kind: bayholdv1.RecordBlockerKind_RECORD_BLOCKER_KIND_READING_OUTSIDE, Message: "fastener 2, stage 1 is outside: 54 N·m (43.2 to 46.8 N·m)"},
	}
}

func fixtureStepView() *bayholdv1.GetStepResponse {
	return &bayholdv1.GetStepResponse{
		Step: "belt/change", Work: fixtureFullSteps()[0], Number: 4, Owner: "Belt renewed", Reference: "R-17", Bay: "Bay 1",
		During: during(ts(dec, 1, 8, 0), ts(dec, 1, 9, 30)), People: []string{"Anna"}, State: bayholdv1.StepState_STEP_STATE_RUNNING, Run: 1,
		StartTime: ts(dec, 1, 8, 5), Wrench: harbour + "/tools/TW-03",
		Cautions: []*bayholdv1.Caution{{Signal: bayholdv1.Signal_SIGNAL_WARNING, Text: "The tensioner is a spring: hold it, pin it, let it go slowly."}},
		Settings: []*bayholdv1.ToolSetting{{Stage: "45 N·m", SetNm: 40}, {Stage: "90°"}},
		Tools: []*bayholdv1.ToolPlace{
			{Tool: harbour + "/tools/TW-03", DisplayName: "Torque wrench", Home: "wall", Technician: harbour + "/technicians/anna", Job: harbour + "/jobs/17", CalibratedUntil: ts(dec, 20, 0, 0)},
			{Tool: harbour + "/tools/LK-01", DisplayName: "Locking set", Home: "cabinet"},
		},
		Readings: fixtureReadings(), Unsigned: 1, InterruptedFasteners: []int32{2}, Blockers: fixtureLacking(),
		Parts: []*bayholdv1.PartUsed{{Part: "belt-20", Quantity: 1, Lot: "L7", ActTime: ts(dec, 1, 8, 20)}},
	}
}

// recordCases are the command lines about what is done at the engine.
func recordCases() []goldenCase {
	against := &errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{
		{Type: "AGAINST", Subject: "BEFORE", Description: "belt/lock (Fit the locks) comes first, and is not begun"},
		{Type: "AGAINST", Subject: "TOOL_NOT_ISSUED", Description: "TW-03 is not issued: it should be in its place (wall); draw it first"},
	}}
	reply := func(method string, out *bayholdv1.StepOutcome) func(*fake) {
		return func(f *fake) {
			switch method {
			case "StartStep":
				f.reply[method] = &bayholdv1.StartStepResponse{Outcome: out}
			case "FinishStep":
				f.reply[method] = &bayholdv1.FinishStepResponse{Outcome: out}
			case "SignStep":
				f.reply[method] = &bayholdv1.SignStepResponse{Outcome: out}
			case "CloseJob":
				f.reply[method] = &bayholdv1.CloseJobResponse{Outcome: out}
			case "ReportDelay":
				f.reply[method] = &bayholdv1.ReportDelayResponse{Outcome: out}
			}
		}
	}
	view := func(f *fake) { f.reply["GetStep"] = fixtureStepView() }
	read := func(f *fake) {
		view(f)
		f.reply["RecordReadings"] = &bayholdv1.RecordReadingsResponse{Readings: fixtureReadings(), Lacking: fixtureLacking()}
	}
	running, finished := bayholdv1.StepState_STEP_STATE_RUNNING, bayholdv1.StepState_STEP_STATE_FINISHED
	return []goldenCase{
		{"step-start", []string{"step", "start", "17/change", "--as", "anna"}, reply("StartStep", fixtureOutcome(running, nil))},
		{"step-start-override", []string{"step", "start", "17/change", "--override", "it will do"}, reply("StartStep", fixtureOutcome(running, func(o *bayholdv1.StepOutcome) { o.Overridden = fixtureLacking() }))},
		{"step-start-refused", []string{"step", "start", "17/change"}, failing("StartStep", codes.FailedPrecondition, "belt/change of job 17 cannot begin",
			&errdetails.ErrorInfo{Reason: "AGAINST", Domain: "bayhold"}, against)},
		{"step-start-refused-json", []string{"step", "start", "17/change", "-o", "json"}, failing("StartStep", codes.FailedPrecondition, "belt/change of job 17 cannot begin",
			&errdetails.ErrorInfo{Reason: "AGAINST", Domain: "bayhold"}, against)},
		{"step-start-unknown", []string{"step", "start", "17/wheels"}, failing("StartStep", codes.NotFound, `job 17 has no step "wheels"`, &errdetails.ErrorInfo{Reason: "NOT_FOUND", Domain: "bayhold"})},
		{"step-start-what", []string{"step", "start", "17"}, nil},
		{"step-finish", []string{"step", "finish", "17/change"}, reply("FinishStep", fixtureOutcome(finished, func(o *bayholdv1.StepOutcome) {
			o.LateMinutes, o.Unsigned, o.Freed, o.NextSteps = 45, 1, fixtureBookings()[:1], []string{"belt/cover-on"}
		}))},
		{"step-sign", []string{"step", "sign", "17/change", "--as", "ben"}, reply("SignStep", fixtureOutcome(finished, nil))},
		{"step-show", []string{"step", "show", "17/change"}, view},
		{"step-read", []string{"step", "read", "17/change", "1:1=45Nm", "2:1=54Nm", "--tool", "TW-03"}, read},
		{"step-read-what", []string{"step", "read", "17/change", "1:1:45"}, read},
		{"step-check", []string{"step", "check", "17/change", "belt-seated=yes"}, read},
		{"step-part", []string{"step", "part", "17/change", "belt-20=1", "--fasteners", "2"}, func(f *fake) {
			f.reply["TickPart"] = &bayholdv1.TickPartResponse{Part: &bayholdv1.PartUsed{Part: "belt-20", Quantity: 1, Fasteners: []int32{2}}, Lacking: fixtureLacking()}
		}},
		{"step-correct", []string{"step", "correct", "17", "42", "45Nm", "--note", "typed 54"}, func(f *fake) {
			r := fixtureReadings()[0]
			r.Id, r.Corrects = 44, 42
			f.reply["CorrectReading"] = &bayholdv1.CorrectReadingResponse{Reading: r}
		}},
		{"my-day", []string{"my", "day", "--as", "anna"}, func(f *fake) {
			f.reply["GetDay"] = &bayholdv1.GetDayResponse{
				Technician: harbour + "/technicians/anna", DisplayName: "Anna", Day: "2026-12-01",
				Shifts: []*bayholdv1.TimeRange{during(ts(dec, 1, 7, 0), ts(dec, 1, 15, 0))},
				Steps: []*bayholdv1.DayStep{{
					Job: harbour + "/jobs/17", Reference: "R-17", Step: "belt/change", Title: "Change the belt", During: during(ts(dec, 1, 8, 0), ts(dec, 1, 9, 30)),
					State: bayholdv1.StepState_STEP_STATE_OPEN, Bay: harbour + "/bays/bay-1", Partners: []string{"Ben"}, Tools: fixtureStepView().GetTools(),
					Parts: fixtureJobWithParts().GetParts()[:1], HoldPoint: true, Blockers: fixtureLacking(),
				}},
			}
		}},
		{"my-day-whose", []string{"my", "day"}, failing("GetDay", codes.FailedPrecondition, "whose day? this user is tied to no technician: name one",
			&errdetails.ErrorInfo{Reason: "NO_TECHNICIAN", Domain: "bayhold"})},
		{"job-close", []string{"job", "close", "17"}, reply("CloseJob", fixtureOutcome(bayholdv1.StepState_STEP_STATE_UNSPECIFIED, func(o *bayholdv1.StepOutcome) { o.Freed = fixtureBookings()[:1] }))},
		{"job-delay", []string{"job", "delay", "17/change", "+4h", "--reason", "a bolt will not move"}, reply("ReportDelay", fixtureOutcome(running, func(o *bayholdv1.StepOutcome) { o.Step = fixtureJobs()[0].GetSteps()[0].GetId() }))},
		{"job-repair-now", []string{"job", "repair", "--now"}, nil},
		{"job-record", []string{"job", "record", "17"}, func(f *fake) {
			f.reply["GetJobRecord"] = &bayholdv1.GetJobRecordResponse{Content: "RECORD OF JOB 17\n"}
		}},
		{"journal-empty", []string{"journal", "list"}, nil},
	}
}

// away makes the fake refuse every call as if it were not there.
func (f *fake) away(is bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, m := range []string{"ListSites", "StartStep", "FinishStep", "PauseStep"} {
		delete(f.fail, m)
		if is {
			f.fail[m] = func() error { return status.Error(codes.Unavailable, "gone") }
		}
	}
}

// TestRecordsOutliveALostConnection records with the server gone, and holds that
// everything arrives later, in order and with its own time and id.
func TestRecordsOutliveALostConnection(t *testing.T) {
	f := newFake(t)
	env := f.env(t)
	run := func(want int, args ...string) result {
		t.Helper()
		r := runWith(t, env, "", args...)
		if r.code != want {
			t.Fatalf("%v: exit %d, %s%s", args, r.code, r.out, r.err)
		}
		return r
	}
	f.reply["StartStep"] = &bayholdv1.StartStepResponse{Outcome: fixtureOutcome(bayholdv1.StepState_STEP_STATE_RUNNING, nil)}
	f.reply["PauseStep"] = &bayholdv1.PauseStepResponse{Outcome: fixtureOutcome(bayholdv1.StepState_STEP_STATE_PAUSED, nil)}
	f.reply["FinishStep"] = &bayholdv1.FinishStepResponse{Outcome: fixtureOutcome(bayholdv1.StepState_STEP_STATE_FINISHED, nil)}
	run(exitDone, "step", "start", "16/a") // the site is known from now on
	f.away(true)
	if r := run(exitKept, "step", "start", "17/b", "--at", "2026-11-25 08:00"); !strings.Contains(r.err, "1 record waits") {
		t.Error(r.err)
	}
	if r := run(exitKept, "step", "finish", "17/b"); !strings.Contains(r.err, "2 records wait") {
		t.Error(r.err)
	}
	if r := run(exitDone, "journal", "list"); !strings.Contains(r.out, "step start 17/b") || !strings.Contains(r.out, "not sent") {
		t.Error(r.out)
	}
	f.away(false)
	before := len(f.calls)
	run(exitDone, "step", "pause", "18/c")
	var order []string
	for _, c := range f.calls[before:] {
		switch m := c.(type) {
		case *bayholdv1.StartStepRequest:
			order = append(order, "start "+m.GetStep()+" "+m.GetActTime().AsTime().Format("15:04"))
		case *bayholdv1.FinishStepRequest:
			order = append(order, "finish "+m.GetStep())
		case *bayholdv1.PauseStepRequest:
			order = append(order, "pause "+m.GetStep())
		}
	}
	if got := strings.Join(order, ", "); !strings.HasPrefix(got, "start b ") || !strings.HasSuffix(got, ", finish b, pause c") {
		t.Errorf("sent: %s", got)
	}
	if r := run(exitDone, "journal", "list"); !strings.Contains(r.out, "Nothing waits") {
		t.Error(r.out)
	}
}

// TestRefusedRecordsAreTold holds that a record which the server does not take
// stays with its reason, keeps back what follows it of its job, and nothing else.
func TestRefusedRecordsAreTold(t *testing.T) {
	f := newFake(t)
	env := f.env(t)
	run := func(args ...string) result { return runWith(t, env, "", args...) }
	f.reply["StartStep"] = &bayholdv1.StartStepResponse{Outcome: fixtureOutcome(bayholdv1.StepState_STEP_STATE_RUNNING, nil)}
	f.reply["FinishStep"] = &bayholdv1.FinishStepResponse{Outcome: fixtureOutcome(bayholdv1.StepState_STEP_STATE_FINISHED, nil)}
	run("step", "start", "16/a")
	f.away(true)
	run("step", "start", "17/b")
	run("step", "finish", "17/b")
	f.away(false)
	f.knowsDryRuns = true
	r := run("journal", "send", "--dry-run")
	if r.code != exitDone || !strings.Contains(r.out, "is taken") || !strings.Contains(r.out, "waits for what comes before it") {
		t.Errorf("a dry run: exit %d: %s%s", r.code, r.out, r.err)
	}
	failing("StartStep", codes.FailedPrecondition, "somebody else began it", &errdetails.ErrorInfo{Reason: "STEP_STATE", Domain: "bayhold"})(f)
	if r := run("journal", "send", "--dry-run"); !strings.Contains(r.out, "is REFUSED: somebody") {
		t.Errorf("a dry run: exit %d: %s%s", r.code, r.out, r.err)
	}
	if list, err := (&app{env: func(k string) string { return env[k] }}).outbox().Pending(); err != nil || len(list) != 2 || list[0].Refused != "" {
		t.Errorf("dry runs changed the journal: %v, %v", list, err)
	}
	r = run("journal", "send")
	if r.code != exitKept || !strings.Contains(r.out, "REFUSED: somebody") || !strings.Contains(r.out, "step finish 17/b") {
		t.Errorf("exit %d: %s%s", r.code, r.out, r.err)
	}
	if r := run("step", "finish", "18/c"); r.code != exitDone { // another job is not kept back
		t.Errorf("exit %d: %s%s", r.code, r.out, r.err)
	}
	list, err := (&app{env: func(k string) string { return env[k] }}).outbox().Pending()
	if err != nil || len(list) != 2 {
		t.Fatalf("%+v, %v", list, err)
	}
	for _, k := range list {
		if r := run("journal", "drop", "--dry-run", k.ID[:8]); r.code != exitDone || !strings.Contains(r.out, "would be dropped") {
			t.Errorf("exit %d: %s%s", r.code, r.out, r.err)
		}
		if r := run("journal", "drop", k.ID[:8]); r.code != exitDone || !strings.Contains(r.out, "never sent") {
			t.Errorf("exit %d: %s%s", r.code, r.out, r.err)
		}
	}
}

// TestRecordWithoutEverHavingMet holds that without a server that was reached
// once, nothing is recorded and that is told.
func TestRecordWithoutEverHavingMet(t *testing.T) {
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := lis.Addr().String()
	if err := errors.Join(lis.Close(), context.Cause(t.Context())); err != nil {
		t.Fatal(err)
	}
	r := runWith(t, map[string]string{"BAYHOLD_SERVER": addr, "HOME": t.TempDir(), "BAYHOLD_TIMEOUT": "2s"}, "", "step", "start", "17/b")
	if r.code != exitNoServer {
		t.Errorf("exit %d: %s", r.code, r.err)
	}
}
