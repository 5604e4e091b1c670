package cli

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) procedureDiffCommand() *cobra.Command {
	var from, to int32
	cmd := a.command(verb{
		use: "diff PROCEDURE --from VERSION [--to VERSION]", short: "Tell what differs between two versions",
		example: `  bayhold import deploy/guide/sheets/belt-check-2.yaml
  bayhold procedure diff velde-belt-check --from 1
  bayhold procedure diff velde-belt-check --from 1 --to 2`,
		args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			if from < 1 || to < 0 {
				return usage("versions count from 1")
			}
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			name, err := p.name(procedures, args[0])
			if err != nil {
				return err
			}
			resp, err := p.Procedures.DiffProcedure(ctx, &bayholdv1.DiffProcedureRequest{Name: name, FromVersion: from, ToVersion: to})
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) { a.printDiff(w, name, resp) })
		},
	})
	cmd.Flags().Int32Var(&from, "from", 0, "the older `version`, from 1")
	cmd.Flags().Int32Var(&to, "to", 0, "the newer `version`; 0 is the newest")
	require(cmd, "from")
	return cmd
}

func (a *app) procedureIssueCommand() *cobra.Command {
	return a.standingCommand(verb{
		use: "issue PROCEDURE --version VERSION", short: "Put a draft version into use",
		long: `Put a draft version into use: plans are made with the newest issued version from
then on. What is issued never changes again. Jobs that are booked keep the
version that they were planned with; job show tells that a newer one is there.`,
		example: `  bayhold import deploy/guide/sheets/belt-check-2.yaml
  bayhold procedure issue velde-belt-check --version 2`,
	}, bayholdv1.ProcedureState_PROCEDURE_STATE_ISSUED)
}

func (a *app) procedureWithdrawCommand() *cobra.Command {
	return a.standingCommand(verb{
		use: "withdraw PROCEDURE --version VERSION", short: "Take an issued version out of use",
		long: `Take an issued version out of use for good: no plan is made with it from then
on. Jobs that are booked keep the version that they were planned with.`,
		example: `  bayhold procedure withdraw velde-belt-check --version 1`,
	}, bayholdv1.ProcedureState_PROCEDURE_STATE_WITHDRAWN)
}

// standingCommand makes a command that changes the standing of a version.
func (a *app) standingCommand(v verb, state bayholdv1.ProcedureState) *cobra.Command {
	var version int32
	v.args = cobra.ExactArgs(1)
	v.run = func(ctx context.Context, args []string) error {
		return a.procedureStanding(ctx, args[0], version, state)
	}
	cmd := a.command(v)
	cmd.Flags().Int32Var(&version, "version", 0, "which `version`, from 1")
	require(cmd, "version")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) procedureStanding(ctx context.Context, word string, version int32, state bayholdv1.ProcedureState) error {
	if version < 1 {
		return usage("--version is %d; versions count from 1", version)
	}
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	name, err := p.name(procedures, word)
	if err != nil {
		return err
	}
	resp, err := act(ctx, a, bayholdv1.ProcedureService_UpdateProcedure_FullMethodName, &bayholdv1.UpdateProcedureRequest{},
		func(requestID string) (*bayholdv1.UpdateProcedureRequest, error) {
			return &bayholdv1.UpdateProcedureRequest{
				Procedure:  &bayholdv1.Procedure{Name: name, Version: version, State: state},
				UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"state"}}, RequestId: requestID,
			}, nil
		}, p.Procedures.UpdateProcedure)
	if err != nil {
		problem := asProblem(err)
		if problem.code == codes.FailedPrecondition {
			problem.try("%s", a.again("procedure", "show", id(name), "--version", count(version)))
		}
		return problem
	}
	return a.answer(resp, func(w io.Writer) {
		a.printStandingOf(w, resp.GetProcedure())
		if standing := resp.GetStandingJobs(); len(standing) > 0 {
			writeText(w, "Jobs that stand were planned with it and keep it: "+ids(standing)+".", a.width())
			fmt.Fprintf(w, "Look at one: %s\n", a.again("job", "show", id(standing[0])))
		}
	})
}
