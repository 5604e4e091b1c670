package cli

import (
	"context"
	"errors"
	"io"
	"time"

	"google.golang.org/grpc"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// searchArrangement follows a search to its end and gives the best that was
// told, if anything was: with an error, too, if the search broke off. Being
// interrupted is no error once there is an answer.
func (a *app) searchArrangement(ctx context.Context, p *place, req *bayholdv1.ArrangeJobsRequest) (*bayholdv1.ArrangeJobsResponse, error) {
	// A server that falls silent must not be waited for without end.
	bounded, cancel := context.WithTimeout(ctx, req.GetSearchTime().AsDuration()+a.set.timeout)
	defer cancel()
	progress := a.newProgress()
	defer progress.close()
	stream, err := p.Arrangements.ArrangeJobs(bounded, req)
	if err != nil {
		return nil, err
	}
	best, err := follow(stream, progress)
	switch {
	case err != nil && best != nil && ctx.Err() != nil:
		return best, nil
	case err == nil && best == nil:
		return nil, errors.New("the server ended the search without an answer")
	}
	return best, err
}

// told is one message of a stream, or how the stream ended.
type told struct {
	resp *bayholdv1.ArrangeJobsResponse
	err  error
}

// follow reads a stream to its end and shows how it gets on.
func follow(stream grpc.ServerStreamingClient[bayholdv1.ArrangeJobsResponse], progress *progress) (*bayholdv1.ArrangeJobsResponse, error) {
	messages := make(chan told)
	go func() {
		for {
			resp, err := stream.Recv()
			messages <- told{resp, err} // follow reads on until an error comes
			if err != nil {
				return
			}
		}
	}()
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	var best *bayholdv1.ArrangeJobsResponse
	for {
		select {
		case m := <-messages:
			if errors.Is(m.err, io.EOF) {
				return best, nil
			}
			if m.err != nil {
				return best, m.err
			}
			best = m.resp
			progress.improved(best)
		case <-tick.C:
			progress.tick()
		}
	}
}
