package pgtest

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	stdlog "log"
	"net"
	"net/url"
	"os"
	"strconv"
	"strings"
	"syscall"
	"time"

	_ "github.com/jackc/pgx/v5/stdlib" // the driver that wait.ForSQL asks for
	"github.com/moby/moby/api/types/container"
	"github.com/moby/moby/api/types/network"
	"github.com/moby/moby/client"
	"github.com/testcontainers/testcontainers-go"
	"github.com/testcontainers/testcontainers-go/wait"
)

const (
	// inMemory is where a container has its data: a test's database takes 64 ms
	// there, and 570 ms on the image's layered file system (BenchmarkNew, 2 cores).
	inMemory = "/memory"
	// defaultImage is the official one; any other must heed POSTGRES_PASSWORD
	// and take "postgres -c name=value" as its command.
	defaultImage = "docker.io/library/postgres:17-alpine"
	// keeperLabel tells whose container it is: host name and keeper's process.
	keeperLabel = "bayhold.pgtest.keeper"
	// patience bounds the time to fetch an image and start it.
	patience = 2 * time.Minute
)

// errNoDocker is not worth a note: many machines have none.
var errNoDocker = errors.New("no Docker engine answers")

// startContainer runs a PostgreSQL in a container.
func startContainer(ctx context.Context) (run, error) {
	settle()
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	engine, err := dial(ctx)
	if err != nil {
		return run{}, err
	}
	defer engine.Close()
	sweepContainers(ctx, engine)

	image := os.Getenv("BAYHOLD_TEST_IMAGE")
	if image == "" {
		image = defaultImage
	}
	password := rand.Text()
	address := func(host, port string) string {
		u := url.URL{Scheme: "postgres", User: url.UserPassword("postgres", password), Host: net.JoinHostPort(host, port), Path: "/postgres"}
		u.RawQuery = "sslmode=disable"
		return u.String()
	}
	c, err := testcontainers.Run(ctx, image,
		testcontainers.WithEnv(map[string]string{"POSTGRES_PASSWORD": password, "PGDATA": inMemory + "/cluster"}),
		testcontainers.WithTmpfs(map[string]string{inMemory: "rw,mode=1777"}),
		testcontainers.WithCmd("postgres", "-c", "fsync=off", "-c", "full_page_writes=off",
			"-c", "synchronous_commit=off", "-c", "max_wal_size=256MB", "-c", "max_connections=200"),
		testcontainers.WithExposedPorts(postgresPort),
		testcontainers.WithLabels(map[string]string{keeperLabel: keeperMark(os.Getpid())}),
		testcontainers.WithHostConfigModifier(func(h *container.HostConfig) { h.ShmSize = 256 << 20 }),
		// Not for a line in the log, which some images write twice and some once,
		// nor for the port, which the engine opens before PostgreSQL does.
		testcontainers.WithWaitStrategy(wait.ForSQL(postgresPort, "pgx", func(host string, port network.Port) string {
			return address(host, port.Port())
		}).WithStartupTimeout(time.Minute).WithPollInterval(20*time.Millisecond)),
	)
	stop := func() {
		if c != nil {
			// What cannot be removed now is swept by the next keeper.
			_ = testcontainers.TerminateContainer(c, testcontainers.StopTimeout(0))
		}
	}
	if err != nil {
		err = fmt.Errorf("image %s: %w%s", image, err, lastWords(c))
		stop()
		return run{}, err
	}
	host, err := c.Host(ctx)
	if err != nil {
		stop()
		return run{}, err
	}
	port, err := c.MappedPort(ctx, postgresPort)
	if err != nil {
		stop()
		return run{}, err
	}
	return run{superuser: address(host, port.Port()), stop: stop}, nil
}

// lastWords are the end of what a container said that did not come up.
func lastWords(c *testcontainers.DockerContainer) string {
	if c == nil {
		return ""
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	logs, err := c.Logs(ctx)
	if err != nil {
		return ""
	}
	defer logs.Close()
	said, err := io.ReadAll(io.LimitReader(logs, 1<<20))
	if err != nil {
		return ""
	}
	return "; it said: …" + string(said[max(0, len(said)-500):])
}

const postgresPort = "5432/tcp"

// settle says to the library, before its first use, what it must know from the
// environment.
func settle() {
	// The keeper is what cleans up; the library's own helper is one more image.
	// Only the very word "true" counts.
	os.Setenv("TESTCONTAINERS_RYUK_DISABLED", "true")
	// Inside a container the library takes the default gateway for the engine's
	// host. An engine behind a unix socket publishes its ports here.
	if os.Getenv("TESTCONTAINERS_HOST_OVERRIDE") == "" && !strings.HasPrefix(os.Getenv("DOCKER_HOST"), "tcp:") {
		os.Setenv("TESTCONTAINERS_HOST_OVERRIDE", "127.0.0.1")
	}
	stdlog.SetOutput(io.Discard)
}

// dial answers errNoDocker within seconds where no engine does.
func dial(ctx context.Context) (*testcontainers.DockerClient, error) {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	engine, err := testcontainers.NewDockerClientWithOpts(ctx)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errNoDocker, err)
	}
	if _, err := engine.Ping(ctx, client.PingOptions{}); err != nil {
		engine.Close()
		return nil, fmt.Errorf("%w: %w", errNoDocker, err)
	}
	return engine, nil
}

func keeperMark(pid int) string {
	host, err := os.Hostname()
	if err != nil {
		host = "unknown"
	}
	return host + " " + strconv.Itoa(pid)
}

// sweepContainers removes those of keepers on this host that were killed.
func sweepContainers(ctx context.Context, engine *testcontainers.DockerClient) {
	list, err := engine.ContainerList(ctx, client.ContainerListOptions{
		All: true, Filters: make(client.Filters).Add("label", keeperLabel),
	})
	if err != nil {
		return // a later keeper will see to it
	}
	for _, c := range list.Items {
		_, number, _ := strings.Cut(c.Labels[keeperLabel], " ")
		pid, err := strconv.Atoi(number)
		if err != nil || c.Labels[keeperLabel] != keeperMark(pid) || syscall.Kill(pid, 0) != syscall.ESRCH {
			continue
		}
		_, _ = engine.ContainerRemove(ctx, c.ID, client.ContainerRemoveOptions{Force: true, RemoveVolumes: true})
	}
}
