package cli

import (
	"context"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

const stepLong = `A step is named by its job and its id, JOB/STEP: 17/chain/renew, or as much of
the id as it takes, 17/renew or 17/ren. What is recorded goes under your own
name; --as records it in a technician's, for those who may. It carries the time
of the command, or --at. Without a connection it is kept in a local journal and
sent with the next command.`

func (a *app) stepCommand() *cobra.Command {
	g := a.group("step", "Do the steps of a job, and record them", `  bayhold job book --reference W-3010 -p orlo-vvt-solenoids --from tomorrow
  bayhold step start 17/battery-off --as tove-anker`,
		a.stepShowCommand(),
		a.stepActCommand("start", "Begin a step, or go on with one that is paused",
			`It is refused, with each reason, unless what must precede it is done, its hold
points are signed and its tools are issued, in calibration and complete. A
manager lets pass what may be let pass with --override and a reason.`,
			bayholdv1.RecordService_StartStep_FullMethodName, `  bayhold job book --reference W-3010 -p orlo-vvt-solenoids --from tomorrow
  bayhold step start 17/battery-off --as tove-anker
  bayhold step start 17/solenoids-swapped --as tove-anker  # refused: the battery is not off yet`),
		a.stepActCommand("pause", "Interrupt a step", `A torque-and-angle sequence on single-use fasteners that is interrupted asks for
new ones.`, bayholdv1.RecordService_PauseStep_FullMethodName, `  bayhold job book --reference W-3010 -p orlo-vvt-solenoids --from tomorrow
  bayhold step start 17/battery-off --as tove-anker
  bayhold step pause 17/battery-off --as tove-anker --note "waiting for the part"`),
		a.stepActCommand("finish", "End a step",
			`Its parts must be ticked, its checks and tightenings recorded and inside their
limits. People and tools that nothing else of the job needs are free at once.`,
			bayholdv1.RecordService_FinishStep_FullMethodName, `  bayhold job book --reference W-3010 -p orlo-vvt-solenoids --from tomorrow
  bayhold step start 17/battery-off --as tove-anker
  bayhold step finish 17/battery-off --as tove-anker`),
		a.stepActCommand("sign", "Sign a step", `A step of two people takes two different signatures, a hold point one.`,
			bayholdv1.RecordService_SignStep_FullMethodName, `  bayhold step sign 15/locks-in --as jonas-vell  # refused: nothing of it is recorded yet`),
		a.stepWaiveCommand(), a.stepReadCommand(), a.stepCheckCommand(), a.stepPartCommand(), a.stepCorrectCommand(),
	)
	g.Long = stepLong
	return g
}

// recordFlags say who records what was done, and when it was.
type recordFlags struct {
	as, at, note, override string
}

func (a *app) recordFlags(cmd *cobra.Command, f *recordFlags) {
	fl := cmd.Flags()
	fl.StringVar(&f.as, "as", "", "`technician` in whose name it is recorded (default your own)")
	fl.StringVar(&f.at, "at", "", "`time` at which it happened (default now)")
	a.requestIDFlag(cmd)
}

// target is a step that somebody records something of.
type target struct {
	*place
	job, step  string
	technician string
	at         *timestamppb.Timestamp
	id         string // of the request
}

// aim finds what a record is about.
func (a *app) aim(ctx context.Context, word string, f *recordFlags) (target, error) {
	job, step, ok := strings.Cut(strings.TrimPrefix(word, jobs+"/"), "/")
	if !ok || job == "" || step == "" {
		return target{}, usage("%q is no step; write job and step, like 17/renew", word).try("bayhold step --help")
	}
	return a.aimAt(ctx, job, step, f)
}

func (a *app) aimAt(ctx context.Context, job, step string, f *recordFlags) (target, error) {
	p, err := a.atOrAway(ctx)
	if err != nil {
		return target{}, err
	}
	t := target{place: p, step: step}
	if t.job, err = p.name(jobs, job); err != nil {
		return t, err
	}
	if t.technician, err = p.maybeName(technicians, f.as); err != nil {
		return t, err
	}
	at, err := a.recordTime(p, f.at)
	if err != nil {
		return t, err
	}
	t.at = timestamppb.New(at.Truncate(time.Millisecond))
	t.id, err = a.requestID()
	return t, err
}

func (a *app) stepActCommand(word, short, long, method, example string) *cobra.Command {
	var f recordFlags
	cmd := a.command(verb{
		use: word + " JOB/STEP", short: short, long: short + ".\n\n" + long, example: example, args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error { return a.stepAct(ctx, method, args[0], &f) },
	})
	a.recordFlags(cmd, &f)
	cmd.Flags().StringVar(&f.note, "note", "", "for the record")
	if word == "start" || word == "finish" {
		cmd.Flags().StringVar(&f.override, "override", "", "let pass what stands against it, for this `reason`; managers only")
	}
	return cmd
}

// outcome is the answer to an act on a step.
type outcome interface {
	proto.Message
	GetOutcome() *bayholdv1.StepOutcome
}

func (a *app) stepAct(ctx context.Context, method, word string, f *recordFlags) error {
	t, err := a.aim(ctx, word, f)
	if err != nil {
		return err
	}
	var req proto.Message
	switch method {
	case bayholdv1.RecordService_StartStep_FullMethodName:
		req = &bayholdv1.StartStepRequest{Name: t.job, Step: t.step, Technician: t.technician, ActTime: t.at, Note: f.note, OverrideReason: f.override, RequestId: t.id}
	case bayholdv1.RecordService_PauseStep_FullMethodName:
		req = &bayholdv1.PauseStepRequest{Name: t.job, Step: t.step, Technician: t.technician, ActTime: t.at, Note: f.note, RequestId: t.id}
	case bayholdv1.RecordService_FinishStep_FullMethodName:
		req = &bayholdv1.FinishStepRequest{Name: t.job, Step: t.step, Technician: t.technician, ActTime: t.at, Note: f.note, OverrideReason: f.override, RequestId: t.id}
	default:
		req = &bayholdv1.SignStepRequest{Name: t.job, Step: t.step, Technician: t.technician, ActTime: t.at, Note: f.note, RequestId: t.id}
	}
	return a.outcome(ctx, t, method, req)
}

// outcome sends an act on a step and tells how the step stands.
func (a *app) outcome(ctx context.Context, t target, method string, req proto.Message) error {
	m := recordMethods[method]
	resp := m.resp()
	if err := a.send(ctx, t.place, method, t.job, m.words+" "+id(t.job)+"/"+t.step, req, resp); err != nil {
		return a.refusedStep(err, t)
	}
	return a.answer(resp, func(w io.Writer) { a.printOutcome(w, t.clock, method, resp.(outcome).GetOutcome()) })
}

// refusedStep says what can be tried about a step that was refused.
func (a *app) refusedStep(err error, t target) error {
	if err == errKept { //nolint:errorlint // it is told as it is
		return err
	}
	p := asProblem(err)
	switch exitCode(p.code) {
	case exitNotFound:
		p.try("%s", a.again("job", "show", id(t.job)))
	case exitAtOdds:
		if t.step != "" {
			p.try("%s", a.again("step", "show", id(t.job)+"/"+t.step))
		}
	}
	return p
}

func (a *app) stepWaiveCommand() *cobra.Command {
	var f recordFlags
	cmd := a.command(verb{
		use: "waive JOB/STEP --reason TEXT", short: "Decide that a step is not done",
		long:    "Decide that a step is not done in this job, for a reason. Managers only. What\ncomes before it must still be done; a locking tool that it would take off counts\nas fitted until it is returned.",
		example: `  bayhold step waive 15/aux-belt-off --reason "done by the customer"`, args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			t, err := a.aim(ctx, args[0], &f)
			if err != nil {
				return err
			}
			return a.outcome(ctx, t, bayholdv1.RecordService_WaiveStep_FullMethodName, &bayholdv1.WaiveStepRequest{
				Name: t.job, Step: t.step, ActTime: t.at, Reason: f.note, RequestId: t.id,
			})
		},
	})
	cmd.Flags().StringVar(&f.at, "at", "", "`time` at which it was decided (default now)")
	cmd.Flags().StringVar(&f.note, "reason", "", "why")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) stepShowCommand() *cobra.Command {
	var as string
	cmd := a.command(verb{
		use: "show JOB/STEP", short: "Show how a step is done, and what stands against it",
		long: `Show a step: its cautions first, then how it is done, its tools and where they
are, what the booked wrench is set to with the adapter considered, its parts and
checks, what was recorded of it, and what stands against beginning or finishing
it.`,
		example: `  bayhold step show 15/locks-in`, args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			t, err := a.aim(ctx, args[0], &recordFlags{as: as})
			if err != nil {
				return err
			}
			if t.offline != nil {
				return t.offline
			}
			resp, err := t.Records.GetStep(ctx, &bayholdv1.GetStepRequest{Name: t.job, Step: t.step, Technician: t.technician})
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) { a.printStepView(w, t.clock, id(t.job), resp) })
		},
	})
	cmd.Flags().StringVar(&as, "as", "", "`technician` who wants to do it (default yourself)")
	return cmd
}
