package localpg

import (
	"errors"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"

	"bayhold/internal/fault"
)

// account is the user that PostgreSQL runs as. PostgreSQL refuses root, so
// root must drop to somebody else; everybody else runs it as themselves.
type account struct {
	name     string
	uid, gid uint32
	drop     bool
}

// chooseAccount keeps to the owner of a cluster that exists, so that a user
// "postgres" who appears later does not lock us out of a cluster of nobody's.
func chooseAccount(cluster string) (account, error) {
	if os.Geteuid() != 0 {
		return account{name: "you", uid: uint32(os.Geteuid()), gid: uint32(os.Getegid())}, nil
	}
	if uid, gid, ok := owner(cluster); ok && uid != 0 {
		name := strconv.Itoa(int(uid))
		if u, err := user.LookupId(name); err == nil {
			name = u.Username
		}
		return account{name: name, uid: uid, gid: gid, drop: true}, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, uerr := strconv.ParseUint(u.Uid, 10, 32)
		gid, gerr := strconv.ParseUint(u.Gid, 10, 32)
		if uerr == nil && gerr == nil && uid != 0 {
			return account{name: name, uid: uint32(uid), gid: uint32(gid), drop: true}, nil
		}
	}
	return account{}, fault.New(fault.Precondition, "NO_ACCOUNT",
		"PostgreSQL does not run as root, and there is neither a user postgres nor nobody to run it: start bayhold as an ordinary user")
}

// attributes are those of a child that runs as the account, in a process group
// of its own: a Ctrl-C at the terminal is for bayhold, which then stops
// PostgreSQL in good order.
func (a account) attributes() *syscall.SysProcAttr {
	attr := &syscall.SysProcAttr{Setpgid: true}
	if a.drop {
		attr.Credential = &syscall.Credential{Uid: a.uid, Gid: a.gid}
	}
	return attr
}

// own gives a file that root has made to the account.
func (a account) own(path string) error {
	if !a.drop {
		return nil
	}
	return os.Lchown(path, int(a.uid), int(a.gid))
}

// reach makes sure that the account can get into dir, which exists.
func (a account) reach(dir string) error {
	if !a.drop {
		return nil
	}
	for at := resolved(dir); ; at = filepath.Dir(at) {
		info, err := os.Stat(at)
		if err != nil {
			return dirFault(dir, err)
		}
		if !a.mayEnter(info) {
			return fault.New(fault.Precondition, "DATA_DIR_UNREACHABLE",
				"PostgreSQL runs as the user %s here, who may not enter %s: choose another --data-dir, such as /var/lib/bayhold", a.name, at)
		}
		if at == filepath.Dir(at) {
			return nil
		}
	}
}

func (a account) mayEnter(info fs.FileInfo) bool {
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return true
	}
	switch mode := info.Mode().Perm(); {
	case st.Uid == a.uid:
		return mode&0o100 != 0
	case st.Gid == a.gid:
		return mode&0o010 != 0
	default:
		return mode&0o001 != 0
	}
}

func owner(path string) (uid, gid uint32, ok bool) {
	info, err := os.Lstat(path)
	if err != nil {
		return 0, 0, false
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return 0, 0, false
	}
	return st.Uid, st.Gid, true
}

// dirFault says what is wrong with a directory in words for its owner.
func dirFault(dir string, err error) error {
	if errors.Is(err, fs.ErrPermission) {
		return fault.New(fault.Forbidden, "DATA_DIR_FORBIDDEN",
			"the data directory %s belongs to another user: start bayhold as that user, or choose another --data-dir", dir).Because(err)
	}
	return fault.New(fault.Unavailable, "DATA_DIR", "the data directory %s cannot be used", dir).Because(err)
}
