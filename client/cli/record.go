package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"bayhold/client/dial"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// recordMethod is a call that records something, and so may wait in the journal.
type recordMethod struct {
	words     string // the command, for people
	req, resp func() proto.Message
}

func record[Req, Resp any, PReq interface {
	*Req
	proto.Message
}, PResp interface {
	*Resp
	proto.Message
}](words string) recordMethod {
	return recordMethod{words, func() proto.Message { return PReq(new(Req)) }, func() proto.Message { return PResp(new(Resp)) }}
}

// recordMethods are all calls that work without a connection.
var recordMethods = map[string]recordMethod{
	bayholdv1.RecordService_StartStep_FullMethodName:      record[bayholdv1.StartStepRequest, bayholdv1.StartStepResponse]("step start"),
	bayholdv1.RecordService_PauseStep_FullMethodName:      record[bayholdv1.PauseStepRequest, bayholdv1.PauseStepResponse]("step pause"),
	bayholdv1.RecordService_FinishStep_FullMethodName:     record[bayholdv1.FinishStepRequest, bayholdv1.FinishStepResponse]("step finish"),
	bayholdv1.RecordService_SignStep_FullMethodName:       record[bayholdv1.SignStepRequest, bayholdv1.SignStepResponse]("step sign"),
	bayholdv1.RecordService_WaiveStep_FullMethodName:      record[bayholdv1.WaiveStepRequest, bayholdv1.WaiveStepResponse]("step waive"),
	bayholdv1.RecordService_ReportDelay_FullMethodName:    record[bayholdv1.ReportDelayRequest, bayholdv1.ReportDelayResponse]("job delay"),
	bayholdv1.RecordService_RecordReadings_FullMethodName: record[bayholdv1.RecordReadingsRequest, bayholdv1.RecordReadingsResponse]("step read"),
	bayholdv1.RecordService_CorrectReading_FullMethodName: record[bayholdv1.CorrectReadingRequest, bayholdv1.CorrectReadingResponse]("step correct"),
	bayholdv1.RecordService_TickPart_FullMethodName:       record[bayholdv1.TickPartRequest, bayholdv1.TickPartResponse]("step part"),
	bayholdv1.RecordService_CloseJob_FullMethodName:       record[bayholdv1.CloseJobRequest, bayholdv1.CloseJobResponse]("job close"),
}

// outbox gives the local journal.
func (a *app) outbox() dial.Outbox {
	dir := a.userDir("XDG_STATE_HOME", filepath.Join(".local", "state"))
	if dir == "" {
		return dial.Outbox{}
	}
	return dial.Outbox{Dir: dir}
}

// errKept says that a record waits in the journal, and that this was told.
var errKept = errors.New("it is kept in the journal")

// send records something: it is written to the journal, sent with what waits
// there before it, and taken out when its outcome is known. Without a connection
// it stays, and errKept is answered after that was told.
func (a *app) send(ctx context.Context, p *place, method, job, what string, req, resp proto.Message) error {
	if a.dryRun { // nothing is kept of it either
		if p.offline != nil {
			return p.offline
		}
		a.note("A dry run: this is what it would do. Nothing was written.")
		return p.Send(ctx, method, req, resp)
	}
	k, err := dial.NewKept(requestOf(req), method, req)
	if err != nil {
		return err
	}
	k.Server, k.Sender, k.At, k.Job, k.Words = a.set.server, dial.Fingerprint(a.set.token), p.clock.now, job, what
	box, err := a.outbox().Open(ctx)
	if err != nil {
		return a.journalProblem(err)
	}
	defer func() { _ = box.Close() }() // what was written is on the disk already
	before := box.Kept()
	if err := box.Keep(k); err != nil {
		return a.journalProblem(err)
	}
	if p.offline != nil {
		return a.tellKept(box, k, "")
	}
	held := a.sendBefore(ctx, p, box, before)
	if why, blocked := held[job]; blocked {
		return a.tellKept(box, k, why)
	}
	err = p.Send(ctx, method, req, resp)
	if err != nil && outcomeUnknown(err) {
		return a.tellKept(box, k, "")
	}
	if gone := box.Gone(k.ID); gone != nil {
		return a.journalProblem(gone)
	}
	return err
}

// requestOf is the id of a request.
func requestOf(req proto.Message) string {
	if r, ok := req.(interface{ GetRequestId() string }); ok {
		return r.GetRequestId()
	}
	return ""
}

// sendBefore sends what waits, in order. What the server does not take stays,
// and so does everything later of the same job: held names those jobs, with why.
func (a *app) sendBefore(ctx context.Context, p *place, box *dial.OpenOutbox, list []dial.Kept) (held map[string]string) {
	held = map[string]string{}
	sent := 0
	for _, k := range list {
		if k.Server != a.set.server || k.Sender != dial.Fingerprint(a.set.token) {
			continue // another server's, or somebody else's to send
		}
		if _, blocked := held[k.Job]; blocked {
			continue
		}
		switch err := a.sendKept(ctx, p, box, k); {
		case err == nil:
			sent++
		case outcomeUnknown(err):
			held[k.Job] = "the server cannot be reached"
		default:
			held[k.Job] = fmt.Sprintf("an earlier record of the job was refused: %s", asProblem(err).message)
		}
	}
	if sent > 0 {
		fmt.Fprintf(a.streams.Err, "%s from the journal sent.\n", counted(sent, "record", "records"))
	}
	return held
}

// sendKept sends one record that waits.
func (a *app) sendKept(ctx context.Context, p *place, box *dial.OpenOutbox, k dial.Kept) error {
	m, known := recordMethods[k.Method]
	if !known {
		return local(codes.Unimplemented, "JOURNAL", "this program does not know %s: send it with the one that kept it", k.Method)
	}
	req := m.req()
	if err := k.Read(req); err != nil {
		return local(codes.DataLoss, "JOURNAL", "the record cannot be read: %s", err)
	}
	err := p.Send(ctx, k.Method, req, m.resp())
	switch {
	case err == nil:
		return box.Gone(k.ID)
	case outcomeUnknown(err):
		return err
	}
	why := asProblem(err)
	text := why.message
	for _, f := range why.fields {
		text += "; " + f.Message
	}
	return errors.Join(err, box.Refuse(k.ID, text))
}

// tellKept says that a record waits, and how it gets on its way.
func (a *app) tellKept(box *dial.OpenOutbox, k dial.Kept, why string) error {
	waiting := len(box.Kept())
	if a.structured() {
		_ = a.writeDocument(a.streams.Out, map[string]any{"kept": k.ID, "pending": waiting, "because": why})
		return errKept
	}
	var b strings.Builder
	if why == "" {
		why = "the server at " + k.Server + " cannot be reached"
	}
	writeText(&b, fmt.Sprintf("Not sent: %s. It is kept in the journal with its own time; %s.", why, waits(waiting)), a.width())
	fmt.Fprintf(&b, "Send them: %s\nLook at them: %s\n", a.again("journal", "send"), a.again("journal", "list"))
	fmt.Fprint(a.streams.Err, plain(b.String()))
	return errKept
}

func waits(n int) string {
	if n == 1 {
		return "1 record waits"
	}
	return fmt.Sprintf("%d records wait", n)
}

// journalProblem says what is wrong with the journal itself.
func (a *app) journalProblem(err error) error {
	if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) {
		return err
	}
	p := local(codes.DataLoss, "JOURNAL", "nothing was recorded: %s", err)
	if errors.Is(err, dial.ErrDamaged) {
		p.try("what can be read of it is in %s; move it away once you have seen to it", filepath.Join(a.outbox().Dir, "journal"))
	}
	return p
}

// recordTime is the own time of a record: now, or what --at says.
func (a *app) recordTime(p *place, text string) (time.Time, error) {
	if text == "" {
		return p.clock.now, nil
	}
	return a.when(p.clock, "--at", text, dayStart)
}

// unreachable tells whether an error says that there is no connection.
func unreachable(err error) bool {
	code := status.Code(err)
	var p *problem
	return (code == codes.Unavailable || code == codes.DeadlineExceeded) && !errors.As(err, &p)
}

// printLacking says what a step still lacks before it can be finished.
func (a *app) printLacking(w io.Writer, list []*bayholdv1.RecordBlocker) {
	if len(list) == 0 {
		return
	}
	fmt.Fprintln(w, "\nBefore it can be finished:")
	a.printReasons(w, list)
}

// printReasons lists what stands against something.
func (a *app) printReasons(w io.Writer, list []*bayholdv1.RecordBlocker) {
	t := table{bare: true, cols: []column{{}, {wrap: true}}}
	for _, b := range list {
		t.add("-", b.GetMessage())
	}
	writeTable(w, t, a.width())
}
