package rpc

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"bayhold/internal/fault"
	"bayhold/internal/workshop"
)

func TestEveryKindHasACode(t *testing.T) {
	t.Parallel()
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	seen := map[codes.Code]fault.Kind{}
	for _, kind := range fault.Kinds() {
		err := fmt.Errorf("outer: %w", fmt.Errorf("inner: %w", fault.New(kind, "REASON", "what to do").Because(errors.New("secret"))))
		got := asStatus(t.Context(), log, "/m", "quay", err)
		code := status.Code(got)
		if code == codes.OK || code == codes.Unknown {
			t.Errorf("%v becomes %v", kind, code)
		}
		if other, twice := seen[code]; twice {
			t.Errorf("%v and %v are both %v", kind, other, code)
		}
		seen[code] = kind
		if info := detail[*errdetails.ErrorInfo](got); info.GetReason() != "REASON" || info.GetDomain() != "bayhold" {
			t.Errorf("%v tells %v", kind, info)
		}
		if strings.Contains(got.Error(), "secret") || (kind == fault.Internal) == strings.Contains(got.Error(), "what to do") {
			t.Errorf("%v says %q", kind, got)
		}
	}
	if got := status.Code(asStatus(t.Context(), log, "/m", "", errors.New("?"))); got != codes.Internal {
		t.Errorf("an error that is no fault becomes %v", got)
	}
}

func TestEveryBlockerKindIsInTheContract(t *testing.T) {
	t.Parallel()
	for _, kind := range workshop.BlockerKinds() {
		if got := blockerToProto[kind]; got.String() != "KIND_"+string(kind) {
			t.Errorf("%s is %s in the contract", kind, got)
		}
	}
}
