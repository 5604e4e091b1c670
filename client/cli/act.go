package cli

import (
	"context"
	"errors"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"bayhold/client/dial"
)

// pages is how many entries a page of a listing is asked to hold.
const pages = 1000

// all reads every page of a listing. get asks for one page and gives the
// token of the next.
func all(get func(token string) (next string, err error)) error {
	token := ""
	for {
		next, err := get(token)
		if err != nil || next == "" {
			return err
		}
		if next == token {
			return errors.New("the server repeats a page of its answer without end")
		}
		token = next
	}
}

// act makes a change. build makes the request with its id; it does not run if
// a request of that id was kept because its outcome was not known: that one is
// sent again word for word. blank is an empty request to read it into.
func act[Req proto.Message, Resp any](
	ctx context.Context, a *app, method string, blank Req,
	build func(requestID string) (Req, error),
	call func(context.Context, Req, ...grpc.CallOption) (Resp, error),
) (Resp, error) {
	var none Resp
	requestID, err := a.requestID()
	if err != nil {
		return none, err
	}
	journal := a.journal()
	kept, err := journal.Kept(requestID, method, blank)
	switch {
	case errors.Is(err, dial.ErrOtherCall):
		return none, usage("--request-id: %s", err)
	case err != nil:
		return none, err
	}
	req := blank
	if kept {
		a.note("The request %s is sent again word for word.", requestID)
	} else if req, err = build(requestID); err != nil {
		return none, err
	}
	if a.dryRun {
		a.note("A dry run: this is what it would do. Nothing was written.")
		return call(ctx, req)
	}
	resp, err := call(ctx, req)
	if err != nil && outcomeUnknown(err) {
		return none, a.unknown(err, journal.Keep(requestID, method, req), requestID)
	}
	// The outcome is known. A file that cannot be removed does no harm: the
	// server answers its request the same way for ever.
	_ = journal.Forget(requestID)
	return resp, err
}

// requestID gives the id that was asked for, or a new one.
func (a *app) requestID() (string, error) {
	if a.request == "" {
		return dial.NewRequestID(), nil
	}
	requestID, err := dial.ParseRequestID(a.request)
	if err != nil {
		return "", usage("--request-id: %s", err)
	}
	return requestID, nil
}

// unknown says that a change may have been done or not, and how to repeat it
// so that it is done once.
func (a *app) unknown(err, keepErr error, requestID string) error {
	p := asProblem(err)
	p.request = requestID
	if keepErr == nil {
		p.try("whether it was done is not known; this repeats it safely, it is done once:")
		p.try("%s", a.repeat(requestID))
		return p
	}
	p.try("whether it was done is not known: look before you repeat it, for the request could not be kept (%s)", keepErr)
	return p
}
