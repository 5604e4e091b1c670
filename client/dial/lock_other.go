//go:build !unix

package dial

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"time"
)

// lockPause is how long a process waits before it asks for the journal again.
const lockPause = 20 * time.Millisecond

// heldLock is a file that is there while somebody has the journal.
type heldLock struct {
	*os.File
	path string
}

// Close gives the lock free.
func (l heldLock) Close() error { return errors.Join(l.File.Close(), os.Remove(l.path)) }

// takeLock takes a lock. Here it is a file that a crash leaves behind: remove it
// by hand if no bayhold runs.
func takeLock(ctx context.Context, path string) (io.Closer, error) {
	path += ".held"
	for {
		file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
		if err == nil {
			return heldLock{file, path}, nil
		}
		if !errors.Is(err, fs.ErrExist) {
			return nil, err
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(lockPause):
		}
	}
}
