package localpg

import (
	"errors"
	"os"
	"os/exec"
	"runtime"
	"syscall"
	"time"
)

// process is a postmaster: a child of ours, or an orphan that was taken over.
type process struct {
	pid int
	// done is closed when a child has ended; nil for an orphan, which only its
	// own parent could wait for.
	done chan struct{}
	// cluster is the data directory it works on.
	cluster string
}

// launch starts cmd. On Linux the kernel sends the child a signal when the
// thread that started it ends, not when the process does (prctl(2),
// PR_SET_PDEATHSIG): so that thread is kept for as long as the child lives.
func launch(cmd *exec.Cmd, cluster string) (*process, error) {
	p := &process{done: make(chan struct{}), cluster: cluster}
	started := make(chan error, 1)
	go func() {
		runtime.LockOSThread() // and never unlocked: the thread ends with us
		err := cmd.Start()
		started <- err
		if err != nil {
			return
		}
		_ = cmd.Wait() // how it ended is in the log; that it ended is all we need
		close(p.done)
	}()
	if err := <-started; err != nil {
		return nil, err
	}
	p.pid = cmd.Process.Pid
	return p, nil
}

// alive tells whether the postmaster still runs.
func (p *process) alive() bool {
	if p.done == nil {
		return isPostmaster(p.pid, p.cluster)
	}
	select {
	case <-p.done:
		return false
	default:
		return true
	}
}

// gone waits until the postmaster has ended, at most for limit.
func (p *process) gone(limit time.Duration, giveUp <-chan struct{}) bool {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for p.alive() {
		select {
		case <-p.done:
		case <-tick.C:
		case <-timer.C:
			return !p.alive()
		case <-giveUp:
			return !p.alive()
		}
	}
	return true
}

// signal is sent only to a postmaster of this cluster: by the time an orphan
// has ended, its number may be somebody else's.
func (p *process) signal(sig syscall.Signal) error {
	if !p.alive() {
		return nil
	}
	err := syscall.Kill(p.pid, sig)
	if errors.Is(err, syscall.ESRCH) {
		return nil
	}
	return err
}

// shutDown asks for a fast shutdown (PostgreSQL 15 manual, 19.5: SIGINT), then
// for an immediate one (SIGQUIT), which the next start recovers from, and
// finally ends the process the hard way.
func (p *process) shutDown(wait time.Duration, giveUp <-chan struct{}) error {
	if err := p.signal(syscall.SIGINT); err != nil {
		return err
	}
	if p.gone(wait, giveUp) {
		return nil
	}
	if err := p.signal(syscall.SIGQUIT); err != nil {
		return err
	}
	if p.gone(6*time.Second, nil) { // the postmaster gives its children 5
		return nil
	}
	if err := p.signal(syscall.SIGKILL); err != nil {
		return err
	}
	if p.gone(5*time.Second, nil) {
		return nil
	}
	return &os.SyscallError{Syscall: "kill", Err: syscall.ETIMEDOUT}
}
