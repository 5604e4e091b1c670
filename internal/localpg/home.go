package localpg

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"bayhold/internal/fault"
)

// home is a data directory that this process owns for as long as it is open.
type home struct {
	dir string
	acc account
	// sock is the directory of the unix socket.
	sock string
	// lock is held until close; the kernel lets go of it if we are killed.
	lock *os.File
	// previous is the process that held it last, 0 if that is not known.
	previous int
}

func (h *home) path(name string) string { return filepath.Join(h.dir, name) }
func (h *home) cluster() string         { return h.path("cluster") }

// openHome makes what is missing of a data directory and locks it.
func openHome(ctx context.Context, dir string) (*home, error) {
	acc, err := chooseAccount(filepath.Join(dir, "cluster"))
	if err != nil {
		return nil, err
	}
	mode := fs.FileMode(0o700)
	if acc.drop {
		mode = 0o755 // the account must get through; what is secret has 0600
	}
	if err := makeAll(dir, mode); err != nil {
		return nil, dirFault(dir, err)
	}
	if err := acc.reach(dir); err != nil {
		return nil, err
	}
	h := &home{dir: dir, acc: acc}
	if err := h.acquire(ctx); err != nil {
		return nil, err
	}
	if err := h.makeSocketDir(); err != nil {
		h.close()
		return nil, err
	}
	return h, nil
}

// acquire takes the lock that tells a living server from a killed one. It has a
// little patience: the kernel frees the locks of a killed process a moment after
// the kill, and a child that is just being started holds a copy until it runs.
func (h *home) acquire(ctx context.Context) error {
	f, err := os.OpenFile(h.path("lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return dirFault(h.dir, err)
	}
	deadline := time.Now().Add(time.Second)
	for {
		err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			break
		}
		if time.Now().After(deadline) {
			err = h.inUse(f)
			f.Close()
			return err
		}
		if err := pause(ctx); err != nil {
			f.Close()
			return err
		}
	}
	if err == nil {
		h.previous = holder(f)
		err = f.Truncate(0)
	}
	if err == nil {
		_, err = f.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0)
	}
	if err != nil {
		f.Close()
		return dirFault(h.dir, err)
	}
	h.lock = f
	return nil
}

func (h *home) inUse(lock *os.File) error {
	by := "another process"
	if pid := holder(lock); pid != 0 {
		by = fmt.Sprintf("process %d", pid)
	}
	return fault.New(fault.Precondition, "DATA_DIR_IN_USE",
		"a bayhold server (%s) works on %s already: stop it first, or choose another --data-dir", by, h.dir)
}

// holder reads who last held a lock, 0 if it does not say.
func holder(lock io.ReaderAt) int {
	b, err := io.ReadAll(io.NewSectionReader(lock, 0, 32))
	if err != nil {
		return 0
	}
	pid, err := strconv.Atoi(strings.TrimSpace(string(b)))
	if err != nil {
		return 0
	}
	return pid
}

// close gives the lock back, also in the name of a child that still holds a copy.
func (h *home) close() {
	_ = syscall.Flock(int(h.lock.Fd()), syscall.LOCK_UN) // closing does it as well
	h.lock.Close()
}

// longestSocket is what a unix socket's path may measure: 103 bytes on macOS
// and the BSDs, 107 on Linux (unix(7), sun_path less its final zero).
const longestSocket = 103

// makeSocketDir puts the socket beside the data, or, where that path is too
// long for a socket, into a directory for temporary files, under a name that
// follows from the data directory's.
func (h *home) makeSocketDir() error {
	sum := sha256.Sum256([]byte(h.dir))
	short := fmt.Sprintf("bayhold-%d-%s", h.acc.uid, hex.EncodeToString(sum[:6]))
	for _, dir := range []string{h.path("run"), filepath.Join(os.TempDir(), short), filepath.Join("/tmp", short)} {
		if len(filepath.Join(dir, ".s.PGSQL."+port)) > longestSocket {
			continue
		}
		if err := os.Mkdir(dir, 0o700); err == nil {
			if err := h.acc.own(dir); err != nil {
				return dirFault(dir, err)
			}
		} else if !errors.Is(err, fs.ErrExist) {
			return dirFault(dir, err)
		}
		// Anybody can put a directory into /tmp before we do.
		info, err := os.Lstat(dir)
		if err != nil {
			return dirFault(dir, err)
		}
		if uid, _, _ := owner(dir); !info.IsDir() || uid != h.acc.uid || info.Mode().Perm()&0o077 != 0 {
			return fault.New(fault.Precondition, "SOCKET_DIR", "%s is not a directory of the user %s alone: remove it", dir, h.acc.name)
		}
		if err := h.acc.reach(filepath.Dir(dir)); err != nil {
			return err
		}
		h.sock = dir
		return nil
	}
	return fault.New(fault.Precondition, "SOCKET_DIR", "every path for the socket of %s is too long", h.dir)
}

// secret reads the password in the file name, and makes one if there is none.
func (h *home) secret(name string) (string, error) {
	b, err := os.ReadFile(h.path(name))
	if err == nil && len(b) > 0 {
		return strings.TrimSpace(string(b)), nil
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", dirFault(h.dir, err)
	}
	word := rand.Text()
	tmp := h.path(name + ".new")
	if err := writeSynced(tmp, word+"\n"); err != nil {
		return "", dirFault(h.dir, err)
	}
	if err := os.Rename(tmp, h.path(name)); err != nil {
		return "", dirFault(h.dir, err)
	}
	return word, syncDir(h.dir)
}

func writeSynced(path, text string) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = f.WriteString(text)
	return errors.Join(err, f.Sync(), f.Close())
}

// syncDir makes a rename in dir outlast a power cut.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// makeAll makes the directories that dir lacks, with mode whatever the umask.
func makeAll(dir string, mode fs.FileMode) error {
	if info, err := os.Stat(dir); err == nil && info.IsDir() {
		return nil
	}
	if parent := filepath.Dir(dir); parent != dir {
		if err := makeAll(parent, mode); err != nil {
			return err
		}
	}
	err := os.Mkdir(dir, mode)
	if errors.Is(err, fs.ErrExist) {
		return nil // somebody else was faster
	}
	return errors.Join(err, os.Chmod(dir, mode))
}
