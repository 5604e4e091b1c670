package rpc

import (
	"context"

	"bayhold/internal/fault"
	"bayhold/internal/forecast"
	"bayhold/internal/hours"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type forecastService struct {
	bayholdv1.UnimplementedForecastServiceServer
	shop   *workshop.Workshop
	sheets Sheets
}

func readSimulation(s *bayholdv1.Simulation) workshop.Simulation {
	return workshop.Simulation{Percentiles: s.GetPercentiles(), Runs: int(s.GetRuns()), Seed: s.GetSeed()}
}

func (s forecastService) ForecastJob(ctx context.Context, req *bayholdv1.ForecastJobRequest) (*bayholdv1.ForecastJobResponse, error) {
	siteID, id, err := parseNumbered("name", req.GetName(), jobs)
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	promise := instant(&fs, "promise_time", req.GetPromiseTime())
	if err := fs.Err("FORECAST", "the question cannot be read"); err != nil {
		return nil, err
	}
	f, err := s.shop.ForecastJob(ctx, siteID, id, readSimulation(req.GetSimulation()), promise)
	return &bayholdv1.ForecastJobResponse{Forecast: writeForecast(siteID, f)}, err
}

func (s forecastService) ForecastPlan(ctx context.Context, req *bayholdv1.ForecastPlanRequest) (*bayholdv1.ForecastPlanResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	proposed, err := readPlan(siteID, req.GetPlan())
	if err != nil {
		return nil, err
	}
	replaced, err := readReplaced(siteID, req.GetReplacedJob())
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	promise := instant(&fs, "promise_time", req.GetPromiseTime())
	if err := fs.Err("FORECAST", "the question cannot be read"); err != nil {
		return nil, err
	}
	f, err := s.shop.ForecastPlan(ctx, siteID, proposed, replaced, readSimulation(req.GetSimulation()), promise)
	return &bayholdv1.ForecastPlanResponse{Forecast: writeForecast(siteID, f)}, err
}

func (s forecastService) ForecastSite(ctx context.Context, req *bayholdv1.ForecastSiteRequest) (*bayholdv1.ForecastSiteResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	list, err := s.shop.ForecastSite(ctx, siteID, readSimulation(req.GetSimulation()))
	out := &bayholdv1.ForecastSiteResponse{}
	for _, f := range list {
		out.Jobs = append(out.Jobs, writeForecast(siteID, f))
	}
	return out, err
}

func writeForecast(siteID string, f workshop.JobForecast) *bayholdv1.JobForecast {
	out := &bayholdv1.JobForecast{
		Reference: f.Job.Reference, PlannedTime: stamp(f.Planned), PlannedChance: writeProportion(f.PlannedChance),
		PromiseTime: stamp(f.Promise), Runs: int32(f.Runs), RecordedSteps: int32(f.Recorded), OpenSteps: int32(f.Open),
	}
	if f.Job.ID != 0 {
		out.Job = numbered(siteID, jobs, f.Job.ID)
	}
	if !f.Promise.IsZero() {
		out.PromiseChance = writeProportion(f.PromiseChance)
	}
	out.Percentiles = writePercentiles(f.Percentiles)
	if o := f.TakeOver; o != nil {
		out.TakeOver = &bayholdv1.TakeOver{Percentiles: writePercentiles(o.Percentiles), PlannedChance: writeProportion(o.PlannedChance)}
		if !f.Promise.IsZero() {
			out.TakeOver.PromiseChance = writeProportion(o.PromiseChance)
		}
	}
	for _, d := range f.Deciding {
		step := &bayholdv1.DecidingStep{Reference: d.Reference, Step: d.Step, Title: d.Title, Share: d.Share}
		if d.Job != 0 {
			step.Job = numbered(siteID, jobs, d.Job)
		}
		out.DecidingSteps = append(out.DecidingSteps, step)
	}
	return out
}

func writePercentiles(list []workshop.Percentile) []*bayholdv1.HandBackPercentile {
	var out []*bayholdv1.HandBackPercentile
	for _, p := range list {
		out = append(out, &bayholdv1.HandBackPercentile{
			Probability: p.Probability, HandBackTime: stamp(p.At), LowTime: stamp(p.Low), HighTime: stamp(p.High),
		})
	}
	return out
}

func writeProportion(p forecast.Proportion) *bayholdv1.Proportion {
	return &bayholdv1.Proportion{Share: p.Share, Low: p.Low, High: p.High, Of: int64(p.Of)}
}

func (s forecastService) ReviewPromises(ctx context.Context, req *bayholdv1.ReviewPromisesRequest) (*bayholdv1.ReviewPromisesResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	during := hours.Range{
		Start: instant(&fs, "during.start", req.GetDuring().GetStart()), End: instant(&fs, "during.end", req.GetDuring().GetEnd()),
	}
	if err := fs.Err("REVIEW", "the question cannot be read"); err != nil {
		return nil, err
	}
	r, err := s.shop.ReviewPromises(ctx, siteID, during)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.ReviewPromisesResponse{Whole: writeBand(r.Whole), Unrecorded: int32(r.Unrecorded), Unstated: int32(r.Unstated)}
	for _, b := range r.Bands {
		out.Bands = append(out.Bands, writeBand(b))
	}
	return out, nil
}

var promiseVerdictToProto = map[forecast.Verdict]bayholdv1.PromiseBand_Verdict{
	forecast.TooFew:   bayholdv1.PromiseBand_VERDICT_TOO_FEW,
	forecast.Honest:   bayholdv1.PromiseBand_VERDICT_HONEST,
	forecast.TooBold:  bayholdv1.PromiseBand_VERDICT_TOO_BOLD,
	forecast.TooTimid: bayholdv1.PromiseBand_VERDICT_TOO_TIMID,
}

func writeBand(b forecast.Band) *bayholdv1.PromiseBand {
	return &bayholdv1.PromiseBand{From: b.From, To: b.To, Promised: b.Promised, Kept: writeProportion(b.Kept), Verdict: promiseVerdictToProto[b.Verdict]}
}

// mostRecords is how many records of a step are told.
const mostRecords = 50

func (s forecastService) GetProcedureTimes(ctx context.Context, req *bayholdv1.GetProcedureTimesRequest) (*bayholdv1.GetProcedureTimesResponse, error) {
	siteID, id, err := parse("name", req.GetName(), procedures)
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	since := instant(&fs, "since_time", req.GetSinceTime())
	if err := fs.Err("TIMES", "the question cannot be read"); err != nil {
		return nil, err
	}
	t, err := s.shop.ProcedureTimes(ctx, siteID, id, since)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.GetProcedureTimesResponse{CredibilityConstant: t.K, ConstantFromRecords: t.Known}
	for _, st := range t.Steps {
		out.Steps = append(out.Steps, writeStepTimes(siteID, st))
	}
	return out, nil
}

func writeStepTimes(siteID string, st workshop.StepTimes) *bayholdv1.StepTimes {
	out := &bayholdv1.StepTimes{
		Step: st.Step, Title: st.Title, LowMinutes: int32(st.Estimate.Low), LikelyMinutes: int32(st.Estimate.Likely),
		HighMinutes: int32(st.Estimate.High), Count: int32(st.N), Credibility: st.Z, TypicalMinutes: st.Typical,
		TypicalLowMinutes: st.Low, TypicalHighMinutes: st.High, Ratio: st.Ratio, Off: st.Off,
	}
	if st.N >= 2 {
		out.RatioLow, out.RatioHigh = st.RatioLow, st.RatioHigh
	}
	for i, r := range st.Records {
		if i == mostRecords {
			break
		}
		out.Records = append(out.Records, &bayholdv1.StepTimes_Record{
			Job: numbered(siteID, jobs, r.Job), Minutes: r.Minutes, StartTime: stamp(r.Start), Outlier: r.Outlier,
		})
	}
	return out
}
