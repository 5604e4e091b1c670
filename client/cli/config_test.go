package cli

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// configured gives the settings from flags, environment and file.
func configured(t *testing.T, flags []string, env map[string]string, file string) (settings, error) {
	t.Helper()
	home := t.TempDir()
	if file != "" {
		dir := filepath.Join(home, ".config", "bayhold")
		if err := os.MkdirAll(dir, 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "config.yaml"), []byte(file), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	a := &app{env: func(k string) string {
		if k == "HOME" {
			return home
		}
		return env[k]
	}}
	root := a.root()
	if err := root.ParseFlags(flags); err != nil {
		t.Fatal(err)
	}
	a.changed = root.Flags().Changed
	return a.settle()
}

// TestConfigPrecedence holds flag over environment over file over default.
func TestConfigPrecedence(t *testing.T) {
	file := "server: file:1\nsite: file\ntoken: file\nca: file.pem\ntls: true\ninsecure_plaintext: true\ntimeout: 3s\noutput: json\n"
	env := map[string]string{
		"BAYHOLD_SERVER": "env:1", "BAYHOLD_SITE": "env", "BAYHOLD_TOKEN": "env", "BAYHOLD_CA": "env.pem",
		"BAYHOLD_TLS": "false", "BAYHOLD_INSECURE_PLAINTEXT": "0", "BAYHOLD_TIMEOUT": "2s", "BAYHOLD_OUTPUT": "table",
	}
	flags := []string{
		"--server", "flag:1", "--site", "flag", "--token", "flag", "--ca", "flag.pem", "--tls", "--insecure-plaintext", "--timeout", "1s", "-o", "json",
	}
	for _, tt := range []struct {
		name  string
		flags []string
		env   map[string]string
		file  string
		want  settings
	}{
		{"default", nil, nil, "", settings{server: defaultServer, timeout: 30 * time.Second, output: "table"}},
		{"file", nil, nil, file, settings{server: "file:1", site: "file", token: "file", ca: "file.pem", tls: true, plaintext: true, timeout: 3 * time.Second, output: "json"}},
		{"env", nil, env, file, settings{server: "env:1", site: "env", token: "env", ca: "env.pem", tls: false, timeout: 2 * time.Second, output: "table"}},
		{"flag", flags, env, file, settings{server: "flag:1", site: "flag", token: "flag", ca: "flag.pem", tls: true, plaintext: true, timeout: time.Second, output: "json"}},
		{"flag says no", []string{"--tls=false"}, map[string]string{"BAYHOLD_TLS": "true"}, file, settings{server: "file:1", site: "file", token: "file", ca: "file.pem", plaintext: true, timeout: 3 * time.Second, output: "json"}},
		{"empty file", nil, nil, "# nothing yet\n", settings{server: defaultServer, timeout: 30 * time.Second, output: "table"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, err := configured(t, tt.flags, tt.env, tt.file)
			if err != nil || got != tt.want {
				t.Errorf("%+v, %v\nwant %+v", got, err, tt.want)
			}
		})
	}
}

// TestConfigFaults holds that what is wrong with a setting is told with its
// place.
func TestConfigFaults(t *testing.T) {
	for _, tt := range []struct {
		name  string
		flags []string
		env   map[string]string
		file  string
		want  string
	}{
		{"misspelt", nil, nil, "server: a\nsevrer: b\n", "config.yaml: line 2: field sevrer is no setting"},
		{"no yaml", nil, nil, "server: [\n", "config.yaml: line"},
		{"timeout in file", nil, nil, "timeout: soon\n", `config.yaml: timeout is "soon"`},
		{"timeout in env", nil, map[string]string{"BAYHOLD_TIMEOUT": "-1s"}, "", "BAYHOLD_TIMEOUT"},
		{"timeout flag", []string{"--timeout", "-1s"}, nil, "", "--timeout"},
		{"output", []string{"-o", "xml"}, nil, "", "table, json, yaml, csv"},
		{"tls in env", nil, map[string]string{"BAYHOLD_TLS": "perhaps"}, "", "BAYHOLD_TLS"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := configured(t, tt.flags, tt.env, tt.file)
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("%v; want %q", err, tt.want)
			}
		})
	}
}

// TestConfigXDG holds the place of the file.
func TestConfigXDG(t *testing.T) {
	dir := t.TempDir()
	if err := os.MkdirAll(filepath.Join(dir, "bayhold"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "bayhold", "config.yaml"), []byte("site: xdg\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	got, err := configured(t, nil, map[string]string{"XDG_CONFIG_HOME": dir}, "site: home\n")
	if err != nil || got.site != "xdg" {
		t.Errorf("%+v, %v", got, err)
	}
}

// TestQuote holds that a shell reads a word back as it was.
func TestQuote(t *testing.T) {
	for word, want := range map[string]string{
		"LK-01": "LK-01", "tue 8:00": `"tue 8:00"`, "": `""`, "it's": `"it's"`, `a"b`: `'a"b'`, "$HOME": `'$HOME'`, "a'$b": `'a'\''$b'`,
	} {
		if got := quote(word); got != want {
			t.Errorf("%q: %s, want %s", word, got, want)
		}
	}
}
