package rpc

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// instant reads an optional timestamp; absent is the zero time. A timestamp out
// of its own bounds is noted.
func instant(fs *fault.Fields, field string, ts *timestamppb.Timestamp) time.Time {
	if ts == nil {
		return time.Time{}
	}
	if err := ts.CheckValid(); err != nil {
		fs.Add(field, "is no timestamp between the years 1 and 9999")
		return time.Time{}
	}
	return ts.AsTime()
}

// stamp writes an optional instant; the zero time is absent.
func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

func readRange(fs *fault.Fields, field string, r *bayholdv1.TimeRange) hours.Range {
	return hours.Range{
		Start: instant(fs, field+".start", r.GetStart()),
		End:   instant(fs, field+".end", r.GetEnd()),
	}
}

func writeRange(r hours.Range) *bayholdv1.TimeRange {
	return &bayholdv1.TimeRange{Start: stamp(r.Start), End: stamp(r.End)}
}

func readClosures(fs *fault.Fields, field string, list []*bayholdv1.Closure) []site.Closure {
	out := make([]site.Closure, 0, len(list))
	for _, c := range list {
		out = append(out, site.Closure{During: readRange(fs, field+".during", c.GetDuring()), Reason: c.GetReason()})
	}
	return out
}

func writeClosures(list []site.Closure) []*bayholdv1.Closure {
	out := make([]*bayholdv1.Closure, 0, len(list))
	for _, c := range list {
		out = append(out, &bayholdv1.Closure{During: writeRange(c.During), Reason: c.Reason})
	}
	return out
}

var stateToProto = map[site.BookingState]bayholdv1.BookingState{
	site.Tentative: bayholdv1.BookingState_BOOKING_STATE_TENTATIVE,
	site.Confirmed: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED,
	site.Cancelled: bayholdv1.BookingState_BOOKING_STATE_CANCELLED,
}

var stateFromProto = inverse(stateToProto)

func inverse[K, V comparable](m map[K]V) map[V]K {
	out := make(map[V]K, len(m))
	for k, v := range m {
		out[v] = k
	}
	return out
}
