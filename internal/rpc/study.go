package rpc

import (
	"fmt"
	"slices"
	"strings"
	"sync"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"bayhold/internal/fault"
	"bayhold/internal/forecast"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (s forecastService) RunStudy(req *bayholdv1.RunStudyRequest, stream grpc.ServerStreamingServer[bayholdv1.RunStudyResponse]) error {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return err
	}
	q, err := readStudy(siteID, req)
	if err != nil {
		return err
	}
	var once sync.Mutex // runs end side by side; a stream takes one message at a time
	answer, err := s.shop.Study(stream.Context(), siteID, q, func(done, of int) {
		once.Lock()
		defer once.Unlock()
		// One that cannot be sent ends the stream's context, and with it the study.
		_ = stream.Send(&bayholdv1.RunStudyResponse{DoneRuns: int32(done), TotalRuns: int32(of)})
	})
	if err != nil {
		return err
	}
	outcome := writeStudy(siteID, answer)
	var picture strings.Builder
	if err := s.sheets.Study(&picture, answer); err != nil {
		return err
	}
	outcome.Picture = picture.String()
	runs := int32((len(answer.Variants) + 1) * answer.Replications)
	return stream.Send(&bayholdv1.RunStudyResponse{DoneRuns: runs, TotalRuns: runs, Outcome: outcome})
}

func readStudy(siteID string, req *bayholdv1.RunStudyRequest) (workshop.StudyQuestion, error) {
	q := workshop.StudyQuestion{
		PastWeeks: int(req.GetPastWeeks()), Scale: req.GetScale(), Weeks: int(req.GetWeeks()),
		Replications: int(req.GetReplications()), Seed: req.GetSeed(), Waiting: req.GetVehiclesWait(),
	}
	for i, d := range req.GetDemand() {
		ids, err := idsOf(fmt.Sprintf("demand[%d].procedures", i), d.GetProcedures(), procedures, siteID)
		if err != nil {
			return q, err
		}
		asking, err := readAsking(fmt.Sprintf("demand[%d].asking", i), d.GetAsking())
		if err != nil {
			return q, err
		}
		q.Demand = append(q.Demand, workshop.Demand{Procedures: ids, PerWeek: d.GetPerWeek(), Asking: asking})
	}
	for i, v := range req.GetVariants() {
		out := workshop.StudyVariant{Name: v.GetDisplayName(), Longer: int(v.GetLongerMinutes()), Cost: v.GetCost()}
		for k, name := range v.GetOneMore() {
			ref, err := parseRef(fmt.Sprintf("variants[%d].one_more[%d]", i, k), name, siteID)
			if err != nil {
				return q, err
			}
			out.OneMore = append(out.OneMore, ref)
		}
		for k, a := range v.GetAway() {
			ref, err := parseRef(fmt.Sprintf("variants[%d].away[%d].resource", i, k), a.GetResource(), siteID)
			if err != nil {
				return q, err
			}
			out.Away = append(out.Away, workshop.Away{Ref: ref, FromWeek: int(a.GetFromWeek()), Weeks: int(a.GetWeeks())})
		}
		q.Variants = append(q.Variants, out)
	}
	return q, nil
}

func readAsking(path string, a *bayholdv1.Asking) (workshop.Asking, error) {
	var fs fault.Fields
	out := workshop.Asking{Batch: int(a.GetBatch())}
	if a != nil {
		out.Variation = a.GapVariation
	}
	for i, d := range a.GetWeekdays() {
		n := int(d) - 1
		if n < 0 || n >= len(isoDays) || slices.Contains(out.Weekdays, isoDays[n]) {
			fs.Add(fmt.Sprintf("%s.weekdays[%d]", path, i), "must be Monday to Sunday, each once")
			continue
		}
		out.Weekdays = append(out.Weekdays, isoDays[n])
	}
	for i, t := range a.GetTimes() {
		out.Times = append(out.Times, instant(&fs, fmt.Sprintf("%s.times[%d]", path, i), t))
	}
	return out, fs.Err("STUDY", "the study cannot be run")
}

func writeAsking(a workshop.Asking) *bayholdv1.Asking {
	out := &bayholdv1.Asking{GapVariation: a.Variation, Batch: int32(a.Batch)}
	for _, d := range a.Weekdays {
		out.Weekdays = append(out.Weekdays, bayholdv1.Weekday(slices.Index(isoDays[:], d)+1))
	}
	for _, t := range a.Times {
		out.Times = append(out.Times, stamp(t))
	}
	if proto.Size(out) == 0 {
		return nil
	}
	return out
}

func writeStudy(siteID string, a workshop.StudyAnswer) *bayholdv1.StudyOutcome {
	out := &bayholdv1.StudyOutcome{
		Weeks: int32(a.Weeks), WarmUpWeeks: int32(a.WarmUp), Replications: int32(a.Replications), Base: writeStudySummary(siteID, a, a.Base),
	}
	for _, d := range a.Demand {
		out.Demand = append(out.Demand, &bayholdv1.Demand{Procedures: namesOf(siteID, procedures, d.Procedures), PerWeek: d.PerWeek, Asking: writeAsking(d.Asking)})
	}
	if p := a.Past; p != nil {
		out.Past = &bayholdv1.PastDemand{Jobs: int32(p.Jobs), Weeks: p.Weeks, LowPerWeek: p.PerWeek.Low, HighPerWeek: p.PerWeek.High, Few: p.Few}
	}
	for _, v := range a.Variants {
		out.Variants = append(out.Variants, &bayholdv1.StudyComparison{
			DisplayName: v.Name, Cost: v.Cost, Summary: writeStudySummary(siteID, a, v.Summary),
			SavedDays: writeMeasure(v.Saved), SavedDaysPerJob: writeMeasure(v.SavedPerJob),
		})
	}
	return out
}

func writeStudySummary(siteID string, a workshop.StudyAnswer, s forecast.Summary) *bayholdv1.StudySummary {
	out := &bayholdv1.StudySummary{
		Jobs: writeMeasure(s.Jobs), WaitDays: writeMeasure(s.Wait), HandBackDays: writeMeasure(s.HandBack), BayDays: writeMeasure(s.InBay),
		LateDays: writeMeasure(s.Late), LateShare: writeMeasure(s.LateShare), InHouse: writeMeasure(s.InHouse),
		TurnedAway: writeMeasure(s.TurnedAway), Growing: s.Growing,
	}
	for _, u := range s.Units {
		use := &bayholdv1.ResourceUse{Resource: refName(siteID, a.Refs[u.ID]), Used: writeMeasure(u.Used)}
		if u.Kind != forecast.Person {
			use.Blocked = writeMeasure(u.Blocked)
		}
		out.Resources = append(out.Resources, use)
	}
	return out
}

func writeMeasure(m forecast.Measure) *bayholdv1.Measure {
	return &bayholdv1.Measure{Mean: m.Mean, Low: m.Low, High: m.High}
}
