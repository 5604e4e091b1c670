package localpg

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"
)

const mavenCentral = "https://repo1.maven.org/maven2"

// fetchable are the newest prebuilt releases of each major version, as listed
// by github.com/fergusstrange/embedded-postgres v1.34.0 (config.go).
var fetchable = map[int]string{15: "15.13.0", 16: "16.9.0", 17: "17.5.0", 18: "18.3.0"}

// largest is what an archive may measure; those listed take 10 to 30 MB.
const largest = 200 << 20

// fetch brings prebuilt binaries of the major version want, or of the newest
// for 0, into the data directory.
func fetch(ctx context.Context, h *home, o Options, want int) (binaries, error) {
	if want == 0 {
		want = slices.Max(slices.Collect(maps.Keys(fetchable)))
	}
	release, ok := fetchable[want]
	if !ok {
		return binaries{}, fmt.Errorf("no prebuilt PostgreSQL %d is known", want)
	}
	url := archiveURL(o.Repository, release, runtime.GOOS, runtime.GOARCH, alpine())
	o.Progress(fmt.Sprintf("fetching PostgreSQL %s from %s", release, o.Repository))
	jar, err := download(ctx, url, largest, o.Progress)
	if err != nil {
		return binaries{}, err
	}
	sum, err := download(ctx, url+".sha256", 1<<10, nil)
	if err != nil {
		return binaries{}, fmt.Errorf("an archive without a checksum is not used: %w", err)
	}
	// Some repositories write the file's name behind its checksum.
	word, _, _ := strings.Cut(strings.TrimSpace(string(sum)), " ")
	if got := sha256.Sum256(jar); !strings.EqualFold(word, hex.EncodeToString(got[:])) {
		return binaries{}, fmt.Errorf("%s does not match its checksum", url)
	}
	o.Progress("unpacking PostgreSQL " + release)
	return install(ctx, h, jar, release)
}

// archiveURL names the archive as the embedded-postgres-binaries of io.zonky
// are laid out in a Maven repository.
func archiveURL(repository, release, goos, goarch string, alpine bool) string {
	arch := goarch
	if arch == "arm64" {
		arch = "arm64v8"
	}
	if alpine {
		arch += "-alpine"
	}
	name := fmt.Sprintf("embedded-postgres-binaries-%s-%s", goos, arch)
	return fmt.Sprintf("%s/io/zonky/test/postgres/%s/%s/%s-%s.jar", strings.TrimSuffix(repository, "/"), name, release, name, release)
}

func alpine() bool {
	_, err := os.Stat("/etc/alpine-release")
	return err == nil
}

// client gives up on a repository that does not begin to answer.
var client = func() *http.Client {
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.ResponseHeaderTimeout = 30 * time.Second
	return &http.Client{Transport: t}
}()

// download reads all of url, at most limit bytes.
func download(ctx context.Context, url string, limit int64, progress func(string)) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Minute)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return nil, err
	}
	resp, err := client.Do(req)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("%s: %s", url, resp.Status)
	}
	var buf bytes.Buffer
	body := io.Reader(io.LimitReader(resp.Body, limit+1))
	if progress != nil {
		body = &meter{r: body, total: resp.ContentLength, tell: progress, next: time.Now().Add(2 * time.Second)}
	}
	if _, err := buf.ReadFrom(body); err != nil {
		return nil, fmt.Errorf("%s: %w", url, err)
	}
	if int64(buf.Len()) > limit {
		return nil, fmt.Errorf("%s is larger than %d bytes", url, limit)
	}
	return buf.Bytes(), nil
}

// meter tells every two seconds how far a download has got.
type meter struct {
	r           io.Reader
	done, total int64
	next        time.Time
	tell        func(string)
}

func (m *meter) Read(p []byte) (int, error) {
	n, err := m.r.Read(p)
	m.done += int64(n)
	if now := time.Now(); now.After(m.next) {
		m.next = now.Add(2 * time.Second)
		if m.total > 0 {
			m.tell(fmt.Sprintf("fetched %d of %d MB", m.done>>20, m.total>>20))
		} else {
			m.tell(fmt.Sprintf("fetched %d MB", m.done>>20))
		}
	}
	return n, err
}

// install unpacks the archive beside its place and then moves it there.
func install(ctx context.Context, h *home, jar []byte, release string) (binaries, error) {
	root := h.path("fetched")
	// The account must get in, but has no business changing the programs.
	if err := makeAll(root, 0o755); err != nil {
		return binaries{}, err
	}
	if err := sweep(root, "new-*"); err != nil {
		return binaries{}, err
	}
	stage, err := os.MkdirTemp(root, "new-")
	if err != nil {
		return binaries{}, err
	}
	defer os.RemoveAll(stage)
	if err := os.Chmod(stage, 0o755); err != nil {
		return binaries{}, err
	}
	if err := unpackJar(jar, stage); err != nil {
		return binaries{}, err
	}
	place := filepath.Join(root, release)
	if err := os.RemoveAll(place); err != nil {
		return binaries{}, err
	}
	if err := os.Rename(stage, place); err != nil {
		return binaries{}, err
	}
	found := look(ctx, h.acc, []string{filepath.Join(place, "bin")})
	if len(found) == 0 {
		return binaries{}, fmt.Errorf("the PostgreSQL fetched into %s does not run on this machine", place)
	}
	return found[0], nil
}

// unpackJar finds the one .txz in a jar, which is a zip file.
func unpackJar(jar []byte, into string) error {
	z, err := zip.NewReader(bytes.NewReader(jar), int64(len(jar)))
	if err != nil {
		return err
	}
	for _, f := range z.File {
		if strings.HasSuffix(f.Name, ".txz") {
			r, err := f.Open()
			if err != nil {
				return err
			}
			return errors.Join(unpackTarXZ(r, into), r.Close())
		}
	}
	return errors.New("the archive holds no .txz")
}
