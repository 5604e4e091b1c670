package localpg

import (
	"fmt"
	"os"
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
