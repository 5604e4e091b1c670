package localpg

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"

	"bayhold/internal/fault"
)

// clusterMajor is the major version that made the cluster, 0 if there is none.
func clusterMajor(h *home) (int, error) {
	b, err := os.ReadFile(filepath.Join(h.cluster(), "PG_VERSION"))
	if errors.Is(err, fs.ErrNotExist) {
		if _, serr := os.Lstat(h.cluster()); serr == nil {
			return 0, fault.New(fault.Precondition, "NOT_A_CLUSTER",
				"%s is there but holds no PostgreSQL data: move it away, or choose another --data-dir", h.cluster())
		}
		return 0, nil
	}
	if err != nil {
		return 0, dirFault(h.dir, err)
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(b)))
	if err != nil {
		return 0, fault.New(fault.Precondition, "NOT_A_CLUSTER", "%s/PG_VERSION names no version", h.cluster()).Because(err)
	}
	return major, nil
}

// initialise makes the cluster beside its place and then moves it there, so
// that a start that was killed half way leaves nothing that looks whole.
func initialise(ctx context.Context, h *home, b binaries, o Options, password string) error {
	o.Progress(fmt.Sprintf("making a database cluster of %s in %s", b, h.dir))
	if err := sweep(h.dir, "cluster.new-*"); err != nil {
		return dirFault(h.dir, err)
	}
	stage, err := os.MkdirTemp(h.dir, "cluster.new-")
	if err != nil {
		return dirFault(h.dir, err)
	}
	defer os.RemoveAll(stage)
	secret, data := filepath.Join(stage, "secret"), filepath.Join(stage, "data")
	if err := writeSynced(secret, password+"\n"); err != nil {
		return dirFault(h.dir, err)
	}
	for _, path := range []string{secret, stage} {
		if err := h.acc.own(path); err != nil {
			return dirFault(h.dir, err)
		}
	}
	if err := initdb(ctx, h, b, o, data, secret); err != nil {
		return err
	}
	if err := os.Rename(data, h.cluster()); err != nil {
		return dirFault(h.dir, err)
	}
	return syncDir(h.dir)
}

// initdb is PostgreSQL's own program, told to depend on nothing of this
// machine's settings: UTF-8, the C locale's order, UTC.
func initdb(ctx context.Context, h *home, b binaries, o Options, data, secret string) error {
	args := []string{
		"--pgdata=" + data, "--username=" + superuser, "--pwfile=" + secret,
		"--auth-local=scram-sha-256", "--auth-host=scram-sha-256",
		"--encoding=UTF8", "--locale=C", "--text-search-config=simple",
		"--data-checksums", "--no-instructions",
	}
	if o.Volatile {
		args = append(args, "--no-sync")
	}
	cmd := exec.Command(b.tool("initdb"), args...)
	cmd.Env = environment()
	cmd.Dir = "/"
	cmd.SysProcAttr = h.acc.attributes()
	dieWith(cmd.SysProcAttr, syscall.SIGKILL)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	p, err := launch(cmd, data)
	if err != nil {
		return fault.New(fault.Unavailable, "INITDB", "%s cannot be run", b.tool("initdb")).Because(err)
	}
	select {
	case <-p.done:
	case <-ctx.Done():
		// The whole group: initdb has a server program at work. If it has ended
		// meanwhile there is nothing to kill.
		_ = syscall.Kill(-p.pid, syscall.SIGKILL)
		<-p.done
		return interrupted(ctx.Err())
	}
	if !cmd.ProcessState.Success() {
		return fault.New(fault.Unavailable, "INITDB", "PostgreSQL could not make its data directory: %s", gist(out.String())).
			Because(errors.New(cmd.ProcessState.String()))
	}
	return nil
}

// environment is that of PostgreSQL's programs: nothing of ours that they
// might obey (PGDATA, PGOPTIONS, LC_ALL) or show.
func environment() []string {
	env := []string{"TZ=UTC", "LC_ALL=C", "PATH=/usr/bin:/bin"}
	for _, name := range []string{"LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH", "TMPDIR"} {
		if v, ok := os.LookupEnv(name); ok {
			env = append(env, name+"="+v)
		}
	}
	return env
}

// sweep removes what earlier, killed starts left in dir.
func sweep(dir, pattern string) error {
	old, err := filepath.Glob(filepath.Join(dir, pattern))
	for _, path := range old {
		err = errors.Join(err, os.RemoveAll(path))
	}
	return err
}

// gist is what matters of a program's output, on one line: what it calls an
// error, or else where it ended.
func gist(output string) string {
	var lines, errs []string
	for line := range strings.Lines(output) {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		lines = append(lines, line)
		for _, word := range []string{"FATAL: ", "ERROR: ", "PANIC: ", " error: "} {
			if strings.Contains(line, word) {
				errs = append(errs, line)
				break
			}
		}
	}
	if len(errs) > 0 {
		lines = errs
	}
	return strings.Join(lines[max(0, len(lines)-3):], "; ")
}
