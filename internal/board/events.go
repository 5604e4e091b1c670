package board

import (
	"fmt"
	"io"
	"net/http"
	"time"

	"bayhold/internal/feed"
)

// events tells a page by server-sent events how far the log has come. A page
// that hears nothing for a while knows that it is behind; one that comes back
// hears the present revision first, and draws itself anew.
func (s *Site) events(w http.ResponseWriter, r *http.Request) {
	if s.readers.Add(1) > maxReaders {
		s.readers.Add(-1)
		w.Header().Set("Retry-After", "30")
		http.Error(w, "too many boards are open", http.StatusServiceUnavailable)
		return
	}
	defer s.readers.Add(-1)
	out := http.NewResponseController(w)
	began := false
	err := s.feed.Follow(r.Context(), r.PathValue("site"), nil, nil, func(t feed.Told) error {
		if err := out.SetWriteDeadline(time.Now().Add(writeTime)); err != nil {
			return err
		}
		text := fmt.Sprintf("event: revision\ndata: %d\n\n", t.Revision)
		if !began {
			began = true
			w.Header().Set("Content-Type", "text/event-stream")
			w.Header().Set("X-Accel-Buffering", "no") // a proxy in between must not hold it back
			text = fmt.Sprintf("retry: 1000\nevent: hello\ndata: {\"revision\":%d,\"release\":%q}\n\n", t.Revision, s.release)
		}
		if _, err := io.WriteString(w, text); err != nil {
			return err
		}
		return out.Flush()
	})
	if err != nil && !began {
		s.fail(w, r, err)
	}
}
