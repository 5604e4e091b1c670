package rpc

import (
	"context"
	"crypto/sha256"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/workshop"
)

// mutation is a request that changes something.
type mutation interface {
	proto.Message
	GetRequestId() string
}

// actOf reads who does what under which request id; siteID is empty for an act
// that finds its site itself.
func actOf(ctx context.Context, siteID string, req mutation) (workshop.Act, error) {
	id, err := uuid.Parse(req.GetRequestId())
	if err != nil || id == uuid.Nil {
		var fs fault.Fields
		fs.Add("request_id", "must be a UUID of the caller's own, a new one for each act")
		return workshop.Act{}, fs.Err("REQUEST_ID", "the act has no usable request id")
	}
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(req)
	if err != nil {
		return workshop.Act{}, fault.New(fault.Invalid, "MESSAGE", "the message cannot be read").Because(err)
	}
	caller := access.From(ctx)
	if siteID != "" {
		if err := access.AtSite(caller, siteID); err != nil {
			return workshop.Act{}, err
		}
	}
	method, _ := grpc.Method(ctx)
	return workshop.Act{
		Site: siteID, RequestID: id, Method: method, Content: sha256.Sum256(raw), Caller: caller, DryRun: isDryRun(ctx),
	}, nil
}

// masked checks that a mask names only fields that may change, and at least one.
func masked(mask *fieldmaskpb.FieldMask, allowed ...string) (map[string]bool, error) {
	var fs fault.Fields
	out := map[string]bool{}
	known := map[string]bool{}
	for _, a := range allowed {
		known[a] = true
	}
	for _, path := range mask.GetPaths() {
		if !known[path] {
			fs.Add("update_mask", "%q cannot be changed: name some of %v", shorten(path), allowed)
		}
		out[path] = true
	}
	if len(out) == 0 {
		fs.Add("update_mask", "is empty: name some of %v", allowed)
	}
	return out, fs.Err("MASK", "the change cannot be made")
}
