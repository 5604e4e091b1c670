package localpg

import (
	"bytes"
	"fmt"
	"os"
	"strconv"
	"strings"
	"syscall"
)

// dieWith has the kernel send sig to the child when this process ends, however
// it ends.
func dieWith(attr *syscall.SysProcAttr, sig syscall.Signal) { attr.Pdeathsig = sig }

// isPostmaster tells whether pid is a server program that works in cluster: a
// postmaster makes its data directory its working directory.
func isPostmaster(pid int, cluster string) bool {
	cwd, err := os.Readlink(fmt.Sprintf("/proc/%d/cwd", pid))
	if err != nil || cwd != resolved(cluster) {
		return false
	}
	comm, err := os.ReadFile(fmt.Sprintf("/proc/%d/comm", pid))
	return err == nil && strings.HasPrefix(string(comm), "postgres")
}

// bereft tells whether the kernel has yet to tell pid that its parent, which
// gave its lock back, is dying: a killed process loses its files before its
// children get its last signal and another parent.
func bereft(pid, parent int) bool {
	if parent == os.Getpid() {
		return false
	}
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return false
	}
	// The fields behind the name, which may hold anything: proc(5).
	fields := strings.Fields(string(stat[bytes.LastIndexByte(stat, ')')+1:]))
	return len(fields) > 1 && fields[1] == strconv.Itoa(parent)
}
