package cli

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// repairRequest makes the question from the flags.
func (a *app) repairRequest(ctx context.Context, p *place, f *repairFlags) (*bayholdv1.ProposeRepairRequest, error) {
	req := &bayholdv1.ProposeRepairRequest{Parent: p.site.GetName()}
	switch {
	case f.now:
	case f.overrun != "":
		o, err := a.readOverrun(ctx, p, f.overrun)
		if err != nil {
			return nil, err
		}
		req.Event = &bayholdv1.ProposeRepairRequest_Overrun{Overrun: o}
	default:
		during, err := a.period(p.clock, first(f.from, "now"), f.until)
		if err != nil {
			return nil, err
		}
		name, err := a.resource(ctx, p, f.out)
		if err != nil {
			return nil, err
		}
		req.Event = &bayholdv1.ProposeRepairRequest_Outage{Outage: &bayholdv1.Outage{Resource: name, During: during}}
	}
	if f.horizon != "" {
		horizon, err := a.when(p.clock, "--horizon", f.horizon, dayEnd)
		if err != nil {
			return nil, err
		}
		req.HorizonTime = stamp(horizon)
	}
	return req, nil
}

// readOverrun reads "JOB/STEP=+MINUTES".
func (a *app) readOverrun(ctx context.Context, p *place, text string) (*bayholdv1.Overrun, error) {
	bad := func() error {
		return usage("--overrun is %q; write job, step and minutes, like 17/belt/change=+90", text).try("bayhold job repair --help")
	}
	rest := strings.TrimPrefix(strings.TrimPrefix(text, p.site.GetName()+"/"), jobs+"/")
	job, rest, ok := strings.Cut(rest, "/") // a step's own id holds slashes
	step, more, timed := strings.Cut(rest, "=")
	if !ok || !timed || job == "" || step == "" {
		return nil, bad()
	}
	minutes, ok := readMinutes(strings.TrimPrefix(strings.TrimSpace(more), "+"))
	if !ok {
		return nil, bad()
	}
	name := p.site.GetName() + "/" + jobs + "/" + job
	step, err := a.step(ctx, p, name, step)
	return &bayholdv1.Overrun{Job: name, Step: step, ExtraMinutes: minutes}, err
}

// readMinutes reads a number of minutes, or a length of time like 2h.
func readMinutes(text string) (int32, bool) {
	minutes, err := strconv.Atoi(text)
	if err != nil {
		l, err := readLength(text)
		if err != nil || l.days != 0 {
			return 0, false
		}
		minutes = l.minutes
	}
	return int32(minutes), minutes > 0 && minutes <= 1_000_000
}

// step gives the full id of a step of a job from its id or the last part of
// it. The error for one that is not there tells those that are.
func (a *app) step(ctx context.Context, p *place, job, word string) (string, error) {
	resp, err := p.Jobs.GetJob(ctx, &bayholdv1.GetJobRequest{Name: job})
	if err != nil {
		return "", err
	}
	var found []string
	unknown := local(codes.NotFound, "NOT_FOUND", "job %s has no step %q; it has these that have not ended:", id(job), word)
	for _, s := range resp.GetJob().GetSteps() {
		switch {
		case s.GetId() == word:
			return word, nil
		case strings.HasSuffix(s.GetId(), "/"+word):
			found = append(found, s.GetId())
		}
		if s.GetDuring().GetEnd().AsTime().After(p.clock.now) {
			unknown.fields = append(unknown.fields, field{Field: s.GetId(), Message: s.GetTitle()})
		}
	}
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(found) > 1:
		return "", usage("which step %s of job %s? there are %s", word, id(job), strings.Join(found, " and "))
	case len(resp.GetJob().GetSteps()) == 0:
		return "", local(codes.FailedPrecondition, "NO_STEPS", "job %s is a reservation: it has no steps", id(job))
	case len(unknown.fields) == 0:
		unknown.message = fmt.Sprintf("job %s has no step %q; all that it has have ended", id(job), word)
	}
	return "", unknown
}

// resource gives the full name of a bay, technician or tool. For an id alone it
// asks which of them there is.
func (a *app) resource(ctx context.Context, p *place, word string) (string, error) {
	sorts := []string{bays, technicians, tools}
	for _, sort := range sorts {
		if strings.HasPrefix(strings.TrimPrefix(word, p.site.GetName()+"/"), sort+"/") {
			return p.name(sort, word)
		}
	}
	word = strings.TrimSpace(word)
	if word == "" || strings.Contains(word, "/") {
		return "", usage("--out is %q; give the id of a bay, a technician or a tool, or tools/ID", word)
	}
	var found []string
	for _, sort := range sorts {
		word := word
		if sort == tools {
			word = strings.ToUpper(word)
		}
		switch err := p.exists(ctx, sort, word); status.Code(err) {
		case codes.OK:
			found = append(found, sort+"/"+word)
		case codes.NotFound:
		default:
			return "", err
		}
	}
	switch len(found) {
	case 0:
		return "", local(codes.NotFound, "NOT_FOUND", "there is no bay, technician or tool %q", word).
			try("%s", a.again("tool", "list")).try("%s", a.again("technician", "list")).try("%s", a.again("bay", "list"))
	case 1:
		return p.site.GetName() + "/" + found[0], nil
	}
	return "", usage("which %s? there are %s", word, strings.Join(found, " and ")).try("--out %s", found[0])
}

// exists asks for a bay, technician or tool by its id: NotFound if there is none.
func (p *place) exists(ctx context.Context, sort, word string) error {
	name := p.site.GetName() + "/" + sort + "/" + word
	var err error
	switch sort {
	case bays:
		_, err = p.Bays.GetBay(ctx, &bayholdv1.GetBayRequest{Name: name})
	case technicians:
		_, err = p.Technicians.GetTechnician(ctx, &bayholdv1.GetTechnicianRequest{Name: name})
	default:
		_, err = p.Tools.GetTool(ctx, &bayholdv1.GetToolRequest{Name: name})
	}
	return err
}

// eventWords gives the command again: what happened, and nothing else.
func eventWords(c clock, req *bayholdv1.ProposeRepairRequest) []string {
	if o := req.GetOverrun(); o != nil {
		return []string{"job", "repair", "--overrun", overrunWord(o)}
	}
	o := req.GetOutage()
	if o == nil {
		return []string{"job", "repair", "--now"}
	}
	return []string{
		"job", "repair", "--out", collection(o.GetResource()) + "/" + id(o.GetResource()),
		"--from", c.typed(o.GetDuring().GetStart().AsTime()), "--until", c.typed(o.GetDuring().GetEnd().AsTime()),
	}
}

// repairWords gives the command again, without booking or keeping.
func repairWords(c clock, req *bayholdv1.ProposeRepairRequest) []string {
	out := eventWords(c, req)
	if req.GetHorizonTime() != nil {
		out = append(out, "--horizon", c.typed(req.GetHorizonTime().AsTime()))
	}
	return out
}
