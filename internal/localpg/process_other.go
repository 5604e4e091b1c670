//go:build !linux

package localpg

import (
	"os/exec"
	"strconv"
	"strings"
	"syscall"
)

// dieWith does nothing where the kernel does not tell children of a parent's
// death: PostgreSQL becomes an orphan, which the next start takes over.
func dieWith(*syscall.SysProcAttr, syscall.Signal) {}

// isPostmaster tells whether pid is a server program that was started on
// cluster, by its command line.
func isPostmaster(pid int, cluster string) bool {
	out, err := exec.Command("ps", "-o", "command=", "-p", strconv.Itoa(pid)).Output()
	if err != nil {
		return false
	}
	program, rest, _ := strings.Cut(string(out), " ")
	return strings.HasSuffix(program, "postgres") && strings.Contains(rest, cluster)
}

// bereft is for kernels that tell children of a parent's death.
func bereft(int, int) bool { return false }
