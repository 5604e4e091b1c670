//go:build unix

package dial

import (
	"context"
	"errors"
	"io"
	"os"
	"syscall"
	"time"
)

// lockPause is how long a process waits before it asks for the journal again.
const lockPause = 20 * time.Millisecond

// takeLock takes a lock that ends with the process, however that ends.
func takeLock(ctx context.Context, path string) (io.Closer, error) {
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	for {
		err := syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err == nil {
			return file, nil
		}
		if !errors.Is(err, syscall.EWOULDBLOCK) && !errors.Is(err, syscall.EINTR) {
			return nil, errors.Join(err, file.Close())
		}
		select {
		case <-ctx.Done():
			return nil, errors.Join(ctx.Err(), file.Close())
		case <-time.After(lockPause):
		}
	}
}
