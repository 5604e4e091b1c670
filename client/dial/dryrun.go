package dial

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// dryRunKey asks a server to answer as an act would and to write nothing.
const dryRunKey = "bayhold-dry-run"

// dryRun asks so with every call. Before the first change it makes sure that the
// server knows dry runs: one that does not would write.
func dryRun() grpc.UnaryClientInterceptor {
	known := false
	return func(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
		ctx = metadata.AppendToOutgoingContext(ctx, dryRunKey, "true")
		var header metadata.MD
		told := func(err error) {
			known = known || err == nil && len(header.Get(dryRunKey)) == 1
		}
		if _, changes := req.(interface{ GetRequestId() string }); changes && !known {
			told(invoke(ctx, bayholdv1.AccessService_WhoAmI_FullMethodName, &bayholdv1.WhoAmIRequest{}, &bayholdv1.WhoAmIResponse{}, cc, grpc.Header(&header)))
			if !known {
				return status.Error(codes.Unimplemented, "the server does not know dry runs: nothing was asked of it")
			}
		}
		err := invoke(ctx, method, req, reply, cc, append(opts, grpc.Header(&header))...)
		told(err)
		return err
	}
}
