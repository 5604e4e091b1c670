package dial

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

// Outbox is the local journal of what was recorded: every record is written and
// synced to it before it is sent, and marked when its outcome is known. What a
// lost connection, a crash or a power cut leaves unmarked is sent later, in
// order and under its own request id, so that nothing is lost or done twice.
//
// It is a file of lines, each with a checksum. A line that was torn by a crash
// is the last one, and belongs to a command that had not answered yet.
type Outbox struct {
	// Dir is where it lies.
	Dir string
}

// Kept is a record in an outbox.
type Kept struct {
	ID      string          `json:"id"` // its request id
	Method  string          `json:"method"`
	Server  string          `json:"server"`
	Sender  string          `json:"sender"` // fingerprint of the token it is to be sent with
	At      time.Time       `json:"at"`     // its own time
	Job     string          `json:"job"`    // name of the job that it is about
	Words   string          `json:"words"`  // the command, for people
	Request json.RawMessage `json:"request"`
	// Refused says why the server did not take it; empty if it was not asked, or
	// did not answer.
	Refused string `json:"refused,omitempty"`
}

// mark is a line that says what became of a record.
type mark struct {
	Gone    string `json:"gone,omitempty"`   // request id: sent, or dropped
	Refuse  string `json:"refuse,omitempty"` // request id
	Because string `json:"because,omitempty"`
}

// line is either.
type line struct {
	Keep *Kept `json:"keep,omitempty"`
	Mark *mark `json:"mark,omitempty"`
}

// ErrDamaged says that a line within the file cannot be read.
var ErrDamaged = errors.New("the journal is damaged")

// Fingerprint tells tokens apart without keeping them.
func Fingerprint(token string) string {
	if token == "" {
		return ""
	}
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:6])
}

// NewKept makes the record of a request.
func NewKept(id, method string, req proto.Message) (Kept, error) {
	body, err := protojson.Marshal(req)
	return Kept{ID: id, Method: method, Request: body}, err
}

// Read puts the request into req.
func (k Kept) Read(req proto.Message) error { return protojson.Unmarshal(k.Request, req) }

func (o Outbox) path() string { return filepath.Join(o.Dir, "journal") }

// Pending reads what is in the journal without taking it.
func (o Outbox) Pending() ([]Kept, error) {
	raw, err := os.ReadFile(o.path())
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	kept, _, err := parse(raw)
	return kept, err
}

// Open takes the journal for this process; another one that wants it waits. The
// directory is made if there is none.
func (o Outbox) Open(ctx context.Context) (*OpenOutbox, error) {
	if o.Dir == "" {
		return nil, errors.New("there is no directory for the journal: set XDG_STATE_HOME or HOME")
	}
	if err := os.MkdirAll(o.Dir, 0o700); err != nil {
		return nil, err
	}
	lock, err := takeLock(ctx, filepath.Join(o.Dir, "journal.lock"))
	if err != nil {
		return nil, err
	}
	open := &OpenOutbox{Outbox: o, lock: lock}
	if err := open.load(); err != nil {
		return nil, errors.Join(err, open.Close())
	}
	return open, nil
}

// OpenOutbox is an outbox that is taken.
type OpenOutbox struct {
	Outbox
	lock io.Closer
	file *os.File
	kept []Kept
}

// load reads the file and cuts off what a crash left of a last line.
func (o *OpenOutbox) load() error {
	file, err := os.OpenFile(o.path(), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	o.file = file
	raw, err := io.ReadAll(file)
	if err != nil {
		return err
	}
	kept, sound, err := parse(raw)
	if err != nil {
		return err
	}
	o.kept = kept
	if sound < len(raw) {
		// What is cut off is kept aside, should somebody want to look at it.
		if err := os.WriteFile(o.path()+".torn", raw[sound:], 0o600); err != nil {
			return err
		}
		if err := file.Truncate(int64(sound)); err != nil {
			return err
		}
	}
	if _, err := file.Seek(int64(sound), io.SeekStart); err != nil {
		return err
	}
	return errors.Join(file.Sync(), syncDir(o.Dir))
}

// parse reads lines and gives the records that are still to be sent, and how many
// bytes are sound.
func parse(raw []byte) ([]Kept, int, error) {
	var kept []Kept
	sound, number := 0, 0
	in := bufio.NewReader(bytes.NewReader(raw))
	for {
		text, err := in.ReadBytes('\n')
		if errors.Is(err, io.EOF) {
			return kept, sound, nil // what has no end was never finished
		}
		number++
		var l line
		if bad := decode(text, &l); bad != nil {
			if sound+len(text) == len(raw) {
				return kept, sound, nil // torn, though its end was written
			}
			return nil, sound, fmt.Errorf("%w: line %d: %w", ErrDamaged, number, bad)
		}
		sound += len(text)
		kept = apply(kept, l)
	}
}

// apply does what a line says.
func apply(kept []Kept, l line) []Kept {
	switch {
	case l.Keep != nil:
		return append(kept, *l.Keep)
	case l.Mark != nil && l.Mark.Gone != "":
		return slices.DeleteFunc(kept, func(k Kept) bool { return k.ID == l.Mark.Gone })
	case l.Mark != nil:
		for i := range kept {
			if kept[i].ID == l.Mark.Refuse {
				kept[i].Refused = l.Mark.Because
			}
		}
	}
	return kept
}

func decode(text []byte, l *line) error {
	sum, body, ok := bytes.Cut(bytes.TrimSuffix(text, []byte("\n")), []byte(" "))
	if !ok || string(sum) != checksum(body) {
		return errors.New("its checksum is wrong")
	}
	return json.Unmarshal(body, l)
}

func checksum(body []byte) string { return fmt.Sprintf("%08x", crc32.ChecksumIEEE(body)) }

// append writes a line and waits until it is on the disk.
func (o *OpenOutbox) append(l line) error {
	body, err := json.Marshal(l)
	if err != nil {
		return err
	}
	if _, err := fmt.Fprintf(o.file, "%s %s\n", checksum(body), body); err != nil {
		return err
	}
	if err := o.file.Sync(); err != nil {
		return err
	}
	o.kept = apply(o.kept, l)
	return nil
}

// Kept are the records that are still to be sent, in order.
func (o *OpenOutbox) Kept() []Kept { return slices.Clone(o.kept) }

// Keep writes a record. When it answers, a crash loses it no more.
func (o *OpenOutbox) Keep(k Kept) error {
	if slices.ContainsFunc(o.kept, func(other Kept) bool { return other.ID == k.ID }) {
		return nil // typed again with its request id
	}
	return o.append(line{Keep: &k})
}

// Gone marks a record whose outcome is known, or that is given up. When nothing
// is left, the file begins anew.
func (o *OpenOutbox) Gone(id string) error {
	if err := o.append(line{Mark: &mark{Gone: id}}); err != nil || len(o.kept) > 0 {
		return err
	}
	if err := o.file.Truncate(0); err != nil {
		return err
	}
	_, err := o.file.Seek(0, io.SeekStart)
	return err
}

// Refuse marks a record that the server did not take.
func (o *OpenOutbox) Refuse(id, because string) error {
	return o.append(line{Mark: &mark{Refuse: id, Because: because}})
}

// Close gives the journal free.
func (o *OpenOutbox) Close() error {
	var err error
	if o.file != nil {
		err = o.file.Close()
	}
	return errors.Join(err, o.lock.Close())
}

// syncDir makes a new file's name as durable as its content.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	return errors.Join(err, d.Close())
}

// Send makes a call by its method's name: a record that was kept is sent word
// for word.
func (c *Conn) Send(ctx context.Context, method string, req, resp proto.Message) error {
	return c.cc.Invoke(ctx, method, req, resp)
}
