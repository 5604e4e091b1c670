package e2e

import (
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// anHour asks for a tool for an hour that begins so many hours from midnight in
// three days.
func anHour(n int) *bayholdv1.ReserveRequest {
	from := time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, 3).Add(time.Duration(n) * time.Hour)
	return &bayholdv1.ReserveRequest{
		Parent: "sites/arena", RequestId: uuid.NewString(), Reference: "hour", Resources: []string{"sites/arena/tools/LK-1"},
		State:  bayholdv1.BookingState_BOOKING_STATE_CONFIRMED,
		During: &bayholdv1.TimeRange{Start: timestamppb.New(from), End: timestamppb.New(from.Add(time.Hour))},
	}
}
