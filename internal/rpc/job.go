package rpc

import (
	"context"

	"bayhold/internal/site"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type jobService struct {
	bayholdv1.UnimplementedJobServiceServer
	shop *workshop.Workshop
}

func (s jobService) GetJob(ctx context.Context, req *bayholdv1.GetJobRequest) (*bayholdv1.GetJobResponse, error) {
	siteID, id, err := parseNumbered("name", req.GetName(), jobs)
	if err != nil {
		return nil, err
	}
	job, err := s.shop.Job(ctx, siteID, id)
	return &bayholdv1.GetJobResponse{Job: writeJob(siteID, job)}, err
}

func (s jobService) ListJobs(ctx context.Context, req *bayholdv1.ListJobsRequest) (*bayholdv1.ListJobsResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	p, span, err := openSpan(req, req.GetDuring(), req.GetShowCancelled())
	if err != nil {
		return nil, err
	}
	list, err := s.shop.Jobs(ctx, siteID, span)
	if err != nil {
		return nil, err
	}
	list, next := cut(p, list, func(j site.Job) string { return placeCursor(j.Planned.Start, j.ID) })
	out := &bayholdv1.ListJobsResponse{NextPageToken: next}
	for _, j := range list {
		j.Steps = nil
		out.Jobs = append(out.Jobs, writeJob(siteID, j))
	}
	return out, nil
}

func writeJob(siteID string, j site.Job) *bayholdv1.Job {
	out := &bayholdv1.Job{
		Name: numbered(siteID, jobs, j.ID), Reference: j.Reference, State: stateToProto[j.State],
		Planned: writeRange(j.Planned), PromiseTime: stamp(j.Promise), ExpireTime: stamp(j.ExpiresAt),
		Note: j.Note, CreateTime: stamp(j.Created),
	}
	if j.EngineFamily != "" {
		out.EngineFamily = nameOf(siteID, engineFamilies, j.EngineFamily)
	}
	for _, p := range j.Procedures {
		out.Procedures = append(out.Procedures, &bayholdv1.ProcedureVersion{
			Procedure: nameOf(siteID, procedures, p.ID), Version: int32(p.Version),
		})
	}
	for _, st := range j.Steps {
		out.Steps = append(out.Steps, &bayholdv1.JobStep{Id: st.ID, Title: st.Title, During: writeRange(st.During)})
	}
	return out
}
