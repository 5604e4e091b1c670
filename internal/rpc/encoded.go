package rpc

import (
	"google.golang.org/grpc/encoding"
	encodingproto "google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// encoded is a message that has been encoded before, at least in part: what some
// hundred callers are told is the same, and encoding it is most of the work.
type encoded mem.BufferSlice

// codec encodes messages, and hands on what is encoded already.
type codec struct{ encoding.CodecV2 }

func newCodec() codec { return codec{encoding.GetCodecV2(encodingproto.Name)} }

// Marshal gives the bytes of a message.
func (c codec) Marshal(v any) (mem.BufferSlice, error) {
	if e, ok := v.(encoded); ok {
		return mem.BufferSlice(e), nil
	}
	return c.CodecV2.Marshal(v)
}

// Fields of WatchResponse, by their numbers in the contract.
var (
	revisionField = fieldOf("revision")
	eventField    = fieldOf("event")
	eventsField   = fieldOf("events")
)

func fieldOf(name string) protowire.Number {
	return (&bayholdv1.WatchResponse{}).ProtoReflect().Descriptor().Fields().ByTextName(name).Number()
}

// toldOf is a WatchResponse with encoded events in one of its fields. Their bytes
// are shared by all who are told; nobody frees or changes them.
func toldOf(revision int64, field protowire.Number, events [][]byte) encoded {
	heads := make([]byte, 0, 16+8*len(events))
	heads = protowire.AppendTag(heads, revisionField, protowire.VarintType)
	heads = protowire.AppendVarint(heads, uint64(revision)) // #nosec G115 -- as the encoding has it
	out := make(encoded, 0, 2*len(events))
	from := 0
	for _, e := range events {
		heads = protowire.AppendTag(heads, field, protowire.BytesType)
		heads = protowire.AppendVarint(heads, uint64(len(e)))
		out = append(out, mem.SliceBuffer(heads[from:len(heads):len(heads)]), mem.SliceBuffer(e))
		from = len(heads)
	}
	return out
}
