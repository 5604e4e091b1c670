package cli

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (f *fake) ForecastJob(_ context.Context, r *bayholdv1.ForecastJobRequest) (*bayholdv1.ForecastJobResponse, error) {
	j, err := named(fixtureJobs(), r.GetName())
	if err != nil {
		return nil, err
	}
	out := fixtureForecast()
	out.Job, out.Reference = j.GetName(), j.GetReference()
	if r.GetPromiseTime() != nil {
		out.PromiseTime = r.GetPromiseTime()
	}
	return &bayholdv1.ForecastJobResponse{Forecast: out}, nil
}

func (f *fake) ForecastPlan(_ context.Context, r *bayholdv1.ForecastPlanRequest) (*bayholdv1.ForecastPlanResponse, error) {
	out := fixtureForecast()
	out.PlannedTime = r.GetPlan().GetHandBackTime()
	out.PromiseTime, out.PromiseChance, out.TakeOver.PromiseChance = nil, nil, nil
	return &bayholdv1.ForecastPlanResponse{Forecast: out}, nil
}

func (f *fake) ForecastSite(context.Context, *bayholdv1.ForecastSiteRequest) (*bayholdv1.ForecastSiteResponse, error) {
	return &bayholdv1.ForecastSiteResponse{Jobs: fixtureSiteForecast()}, nil
}

func (f *fake) ReviewPromises(context.Context, *bayholdv1.ReviewPromisesRequest) (*bayholdv1.ReviewPromisesResponse, error) {
	return fixturePromises(), nil
}

func (f *fake) GetProcedureTimes(_ context.Context, r *bayholdv1.GetProcedureTimesRequest) (*bayholdv1.GetProcedureTimesResponse, error) {
	if _, err := named(fixtureProcedures(), r.GetName()); err != nil {
		return nil, err
	}
	return fixtureTimes(), nil
}

func (f *fake) RunStudy(r *bayholdv1.RunStudyRequest, stream grpc.ServerStreamingServer[bayholdv1.RunStudyResponse]) error {
	f.mu.Lock()
	f.calls = append(f.calls, proto.Clone(r))
	fail := f.fail["RunStudy"]
	f.mu.Unlock()
	if fail != nil {
		return fail()
	}
	for i := range int32(3) {
		if err := stream.Send(&bayholdv1.RunStudyResponse{DoneRuns: i + 1, TotalRuns: 4}); err != nil {
			return err
		}
	}
	out := fixtureStudy()
	if len(r.GetVariants()) == 0 {
		out.Variants = nil
	}
	if out.Demand = r.GetDemand(); len(out.Demand) == 0 {
		out.Demand = []*bayholdv1.Demand{{Procedures: []string{harbour + "/procedures/belt-orlo-20"}, PerWeek: 7.0 / 26}}
		out.Past = &bayholdv1.PastDemand{Jobs: 7, Weeks: 26, LowPerWeek: 0.108, HighPerWeek: 0.555, Few: true}
	}
	for _, d := range out.GetDemand() {
		if n := len(d.GetAsking().GetTimes()); n > 0 {
			d.PerWeek = float64(n) / 2
		}
	}
	return stream.Send(&bayholdv1.RunStudyResponse{DoneRuns: 4, TotalRuns: 4, Outcome: out})
}

func counted95(p, low, high float64, of int64) *bayholdv1.Proportion {
	return &bayholdv1.Proportion{Share: p, Low: low, High: high, Of: of}
}

func fixtureForecast() *bayholdv1.JobForecast {
	return &bayholdv1.JobForecast{
		PlannedTime: ts(dec, 2, 11, 0), PlannedChance: counted95(0.31, 0.301, 0.319, 10_000), Runs: 10_000, OpenSteps: 12, RecordedSteps: 3,
		PromiseTime: ts(dec, 3, 12, 0), PromiseChance: counted95(0.84, 0.80, 0.88, 400),
		Percentiles: []*bayholdv1.HandBackPercentile{
			{Probability: 0.5, HandBackTime: ts(dec, 2, 14, 10), LowTime: ts(dec, 2, 14, 5), HighTime: ts(dec, 2, 14, 12)},
			{Probability: 0.8, HandBackTime: ts(dec, 3, 9, 0), LowTime: ts(dec, 2, 15, 58), HighTime: ts(dec, 3, 9, 4)},
			{Probability: 0.995},
		},
		TakeOver: &bayholdv1.TakeOver{
			PlannedChance: counted95(0.6, 0.59, 0.61, 10_000), PromiseChance: counted95(0.93, 0.92, 0.94, 10_000),
			Percentiles: []*bayholdv1.HandBackPercentile{
				{Probability: 0.5, HandBackTime: ts(dec, 2, 10, 40)}, {Probability: 0.8, HandBackTime: ts(dec, 2, 15, 5)}, {Probability: 0.995},
			},
		},
		DecidingSteps: []*bayholdv1.DecidingStep{
			{Job: harbour + "/jobs/19", Reference: "R-19", Step: "belt/change", Title: "Change the belt", Share: 1},
			{Job: harbour + "/jobs/18", Reference: "R-18", Step: "pump/out", Title: "Pump out", Share: 0.43},
			{Job: harbour + "/jobs/19", Reference: "R-19", Step: "belt/check", Share: 0.004},
		},
	}
}

func fixtureSiteForecast() []*bayholdv1.JobForecast {
	one, other := fixtureForecast(), fixtureForecast()
	one.TakeOver, other.TakeOver = nil, nil
	one.Job, one.Reference, one.DecidingSteps = harbour+"/jobs/19", "R-19", nil
	other.Job, other.Reference, other.DecidingSteps, other.PromiseTime, other.PromiseChance = harbour+"/jobs/21", "R-21", nil, nil, nil
	return []*bayholdv1.JobForecast{one, other}
}

func fixturePromises() *bayholdv1.ReviewPromisesResponse {
	return &bayholdv1.ReviewPromisesResponse{
		Bands: []*bayholdv1.PromiseBand{
			{From: 0.45, To: 0.65, Promised: 0.5, Kept: counted95(0.6, 0.26, 0.88, 10), Verdict: bayholdv1.PromiseBand_VERDICT_TOO_FEW},
			{From: 0.75, To: 0.85, Promised: 0.8, Kept: counted95(0.78, 0.68, 0.86, 90), Verdict: bayholdv1.PromiseBand_VERDICT_HONEST},
			{From: 0.925, To: 1, Promised: 0.96, Kept: counted95(0.85, 0.74, 0.93, 60), Verdict: bayholdv1.PromiseBand_VERDICT_TOO_BOLD},
		},
		Whole:      &bayholdv1.PromiseBand{To: 1, Promised: 0.84, Kept: counted95(0.79, 0.72, 0.85, 160), Verdict: bayholdv1.PromiseBand_VERDICT_HONEST},
		Unrecorded: 4, Unstated: 1,
	}
}

func fixtureTimes() *bayholdv1.GetProcedureTimesResponse {
	return &bayholdv1.GetProcedureTimesResponse{
		CredibilityConstant: 4,
		Steps: []*bayholdv1.StepTimes{
			{Step: "belt/off", Title: "Belt off", LowMinutes: 20, LikelyMinutes: 30, HighMinutes: 50, TypicalMinutes: 31, TypicalLowMinutes: 22, TypicalHighMinutes: 42},
			{
				Step: "belt/change", Title: "Change the belt", LowMinutes: 40, LikelyMinutes: 60, HighMinutes: 90, Count: 7, Credibility: 0.64,
				TypicalMinutes: 78, TypicalLowMinutes: 60, TypicalHighMinutes: 102, Ratio: 1.42, RatioLow: 1.2, RatioHigh: 1.68, Off: true,
				Records: []*bayholdv1.StepTimes_Record{
					{Job: harbour + "/jobs/17", Minutes: 240, StartTime: ts(nov, 24, 9, 30), Outlier: true},
					{Job: harbour + "/jobs/18", Minutes: 81, StartTime: ts(nov, 20, 8, 0)},
				},
			},
			{Step: "belt/check", Title: "Check", LowMinutes: 5, LikelyMinutes: 5, HighMinutes: 5, Count: 1, Credibility: 0.2, TypicalMinutes: 5, TypicalLowMinutes: 4, TypicalHighMinutes: 6, Ratio: 0.8},
		},
	}
}

func measured(mean, low, high float64) *bayholdv1.Measure {
	return &bayholdv1.Measure{Mean: mean, Low: low, High: high}
}

func fixtureStudied() *bayholdv1.StudySummary {
	return &bayholdv1.StudySummary{
		Jobs: measured(104, 101, 107), WaitDays: measured(2.4, 2.1, 2.7), HandBackDays: measured(3.9, 3.5, 4.3), BayDays: measured(1.52, 1.48, 1.56),
		LateDays: measured(0.31, 0.27, 0.35), LateShare: measured(0.42, 0.39, 0.45), InHouse: measured(2.3, 2, 2.6), TurnedAway: measured(0, 0, 0),
		Resources: []*bayholdv1.ResourceUse{
			{Resource: harbour + "/tools/LK-01", Used: measured(0.83, 0.8, 0.86), Blocked: measured(0.21, 0.2, 0.22)},
			{Resource: harbour + "/bays/bay-1", Used: measured(0.6, 0.58, 0.62), Blocked: measured(0.004, 0, 0.01)},
			{Resource: harbour + "/technicians/anna", Used: measured(0.55, 0.5, 0.6)},
		},
	}
}

func fixtureStudy() *bayholdv1.StudyOutcome {
	better, worse := fixtureStudied(), fixtureStudied()
	better.WaitDays, worse.WaitDays = measured(0.9, 0.8, 1), measured(2.9, 2.5, 3.3)
	return &bayholdv1.StudyOutcome{
		Weeks: 26, WarmUpWeeks: 7, Replications: 40, Base: fixtureStudied(), Picture: "<svg/>\n",
		Variants: []*bayholdv1.StudyComparison{
			{DisplayName: "one more like LK-01", Cost: 1800, Summary: better, SavedDays: measured(156, 130, 182), SavedDaysPerJob: measured(1.5, 1.3, 1.7)},
			{DisplayName: "60 min longer a day", Cost: 9000, Summary: fixtureStudied(), SavedDays: measured(3, -4, 10), SavedDaysPerJob: measured(0.03, -0.04, 0.1)},
			{DisplayName: "TW-04 away in weeks 6 to 7", Summary: worse, SavedDays: measured(-52, -70, -34), SavedDaysPerJob: measured(-0.5, -0.7, -0.3)},
		},
	}
}

// forecastCases are the command lines about what is likely.
func forecastCases() []goldenCase {
	reply := func(method string, m proto.Message) func(*fake) { return func(f *fake) { f.reply[method] = m } }
	find := []string{"job", "find", "-p", "belt-orlo-20", "--from", "2026-11-26 8:00"}
	promisedOptions := fixtureFound()
	for _, o := range promisedOptions.GetOptions() {
		o.PromiseTime = ts(dec, 4, 16, 15)
	}
	sure := fixtureJobs()[0]
	sure.PromiseTime, sure.PromiseConfidence = ts(dec, 4, 16, 15), 0.8
	study := []string{"study", "run", "--demand", "belt-orlo-20=3", "--demand", "belt-orlo-20+pump=1.25"}
	return []goldenCase{
		{"job-forecast", []string{"job", "forecast", "19"}, nil},
		{"job-forecast-json", []string{"job", "forecast", "19", "--at", "80%,99.5", "--seed", "7", "--output", "json"}, nil},
		{"job-forecast-plan", []string{"job", "forecast", "--plan", "testdata/plans.kept", "--option", "1"}, nil},
		{"job-forecast-which", []string{"job", "forecast"}, nil},
		{"job-forecast-percent", []string{"job", "forecast", "19", "--at", "120%"}, nil},
		{"job-forecast-over", []string{"job", "forecast", "19"}, failing("ForecastJob", codes.FailedPrecondition, "job 19 is over: it was handed back, cancelled, or its time ran out")},
		{"forecast-site", []string{"forecast", "site"}, nil},
		{"forecast-site-none", []string{"forecast", "site"}, reply("ForecastSite", &bayholdv1.ForecastSiteResponse{})},
		{"forecast-review", []string{"forecast", "review"}, nil},
		{"forecast-review-none", []string{"forecast", "review"}, reply("ReviewPromises", &bayholdv1.ReviewPromisesResponse{Whole: &bayholdv1.PromiseBand{}, Unrecorded: 1})},
		{"procedure-times", []string{"procedure", "times", "belt-orlo-20"}, nil},
		{"procedure-times-records", []string{"procedure", "times", "belt-orlo-20", "--records"}, nil},
		{"job-find-promise", append(find, "--promise", "80%"), reply("FindPlans", promisedOptions)},
		{"job-find-promise-time", append(find, "--promise", "fri 16:00"), nil},
		{"job-show-promise", []string{"job", "show", id(sure.GetName())}, reply("GetJob", &bayholdv1.GetJobResponse{Job: sure})},
		{"job-book-promise-percent", []string{"job", "book", "--reference", "R-20", "-p", "belt-orlo-20", "--from", "2026-11-26 8:00", "--promise", "80%"},
			reply("BookPlan", &bayholdv1.BookPlanResponse{Job: sure})},
		{"study-run", append(study, "--one-more", "LK-01=1800", "--longer", "60=9000", "--away", "TW-04@6+2"), nil},
		{"study-run-bare", study, nil},
		{"study-run-json", append(study, "--weeks", "4", "--output", "json"), nil},
		{"study-run-past", []string{"study", "run"}, nil},
		{"study-run-asking", []string{"study", "run", "--demand", "belt-orlo-20=4,mon,thu", "--demand", "pump=2,cv=0.5,batch=2", "--demand", "pump=1,even"}, nil},
		{"study-run-asking-odd", []string{"study", "run", "--demand", "belt-orlo-20=4,daily"}, nil},
		{"study-run-file", []string{"study", "run", "--demand-file", "testdata/askings.csv"}, nil},
		{"study-run-file-odd", []string{"study", "run", "--demand-file", "testdata/askings-odd.csv"}, nil},
		{"study-run-demand", []string{"study", "run", "--demand", "belt-orlo-20"}, nil},
		{"study-run-away", append(study, "--away", "TW-04"), nil},
		{"study-run-unknown", append(study, "--one-more", "TW-99"), nil},
		{"study-run-no-past", []string{"study", "run"}, failing("RunStudy", codes.FailedPrecondition, "no job with procedures began in the last 26 weeks: say what is asked for, and how often a week")},
	}
}
