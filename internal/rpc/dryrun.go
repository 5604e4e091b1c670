package rpc

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	"bayhold/internal/fault"
)

// dryRunKey is the metadata with which a caller asks what an act would do: with
// the value "true" the act is carried out in its transaction, answered, and
// taken back. The server says the same back in the header of its answer, so
// that a caller can tell it from one that knows no dry runs.
const dryRunKey = "bayhold-dry-run"

type dryRunMark struct{}

// dryRun reads whether a call is a dry run, and says so in the answer's header.
func dryRun(ctx context.Context) (context.Context, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	switch v := md.Get(dryRunKey); {
	case len(v) == 0, len(v) == 1 && v[0] == "false":
		return ctx, nil
	case len(v) != 1 || v[0] != "true":
		return ctx, fault.New(fault.Invalid, "DRY_RUN", "the metadata %s can be true or false", dryRunKey)
	}
	if err := grpc.SetHeader(ctx, metadata.Pairs(dryRunKey, "true")); err != nil {
		return ctx, err
	}
	return context.WithValue(ctx, dryRunMark{}, true), nil
}

// isDryRun tells whether a call is to write nothing.
func isDryRun(ctx context.Context) bool {
	is, _ := ctx.Value(dryRunMark{}).(bool)
	return is
}
