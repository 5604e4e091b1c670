package dial

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/google/uuid"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

// NewRequestID makes the id by which a server knows a repeat of a change.
func NewRequestID() string { return uuid.NewString() }

// ParseRequestID brings an id to its canonical spelling.
func ParseRequestID(s string) (string, error) {
	id, err := uuid.Parse(s)
	if err != nil {
		return "", fmt.Errorf("a request id is a UUID such as %s", "4f0c3c1e-8a53-4b57-9d39-0d7a1f1b2c3d")
	}
	return id.String(), nil
}

// Journal keeps requests whose outcome is not known, so that they can be sent
// again word for word: a request id with other content is refused, and a
// command typed again may make other content ("+2d", a new search).
type Journal struct {
	// Dir is where it lies; empty keeps nothing.
	Dir string
}

// ErrOtherCall says that a kept request belongs to another call.
var ErrOtherCall = errors.New("the request id belongs to another command")

// entry is a kept request as it lies on disk.
type entry struct {
	Method  string          `json:"method"`
	Request json.RawMessage `json:"request"`
}

func (j Journal) path(id string) string { return filepath.Join(j.Dir, id+".json") }

// Keep writes the request of a method under its id.
func (j Journal) Keep(id, method string, req proto.Message) error {
	if j.Dir == "" {
		return errors.New("there is no directory to keep the request in")
	}
	body, err := protojson.Marshal(req)
	if err != nil {
		return err
	}
	whole, err := json.Marshal(entry{Method: method, Request: body})
	if err != nil {
		return err
	}
	if err := os.MkdirAll(j.Dir, 0o700); err != nil {
		return err
	}
	return os.WriteFile(j.path(id), whole, 0o600)
}

// Kept reads the request of that id into req and tells whether there is one.
// It answers ErrOtherCall if another method was kept.
func (j Journal) Kept(id, method string, req proto.Message) (bool, error) {
	if j.Dir == "" {
		return false, nil
	}
	whole, err := os.ReadFile(j.path(id))
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	var e entry
	if err := json.Unmarshal(whole, &e); err != nil {
		return false, fmt.Errorf("%s: %w", j.path(id), err)
	}
	if e.Method != method {
		return false, ErrOtherCall
	}
	if err := protojson.Unmarshal(e.Request, req); err != nil {
		return false, fmt.Errorf("%s: %w", j.path(id), err)
	}
	return true, nil
}

// Forget drops the request of that id: its outcome is known. Having none is
// no error.
func (j Journal) Forget(id string) error {
	if j.Dir == "" {
		return nil
	}
	err := os.Remove(j.path(id))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}
