package cli

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"bayhold/client/dial"
)

const defaultServer = dial.DefaultServer

// settings is what flags, environment and file may set.
type settings struct {
	server, site, token, ca, cert, key, output string

	tls, plaintext bool

	timeout time.Duration
}

// configFile is the file as it is written.
type configFile struct {
	Server  string `yaml:"server"`
	Site    string `yaml:"site"`
	Token   string `yaml:"token"`
	CA      string `yaml:"ca"`
	Cert    string `yaml:"cert"`
	Key     string `yaml:"key"`
	TLS     bool   `yaml:"tls"`
	Plain   bool   `yaml:"insecure_plaintext"`
	Timeout string `yaml:"timeout"`
	Output  string `yaml:"output"`
}

// settle puts flags, environment and file together, in this order. What it
// could make out it gives even beside an error, so that the error is printed
// the way that was asked for.
func (a *app) settle() (settings, error) {
	file, where, fileErr := a.readConfig()
	s := settings{
		server:  first(a.given.server, a.env("BAYHOLD_SERVER"), file.Server, defaultServer),
		site:    first(a.given.site, a.env("BAYHOLD_SITE"), file.Site),
		token:   first(a.given.token, a.env("BAYHOLD_TOKEN"), file.Token),
		ca:      first(a.given.ca, a.env("BAYHOLD_CA"), file.CA),
		cert:    first(a.given.cert, a.env("BAYHOLD_CERT"), file.Cert),
		key:     first(a.given.key, a.env("BAYHOLD_KEY"), file.Key),
		output:  first(a.given.output, a.env("BAYHOLD_OUTPUT"), file.Output, "table"),
		timeout: a.given.timeout,
	}
	if fileErr != nil {
		return s, fileErr
	}
	if !slices.Contains(outputs, s.output) {
		return s, usage("output is %q; it can be %s", s.output, strings.Join(outputs, ", "))
	}
	var err error
	if s.tls, err = a.choose("tls", a.given.tls, "BAYHOLD_TLS", file.TLS); err != nil {
		return s, err
	}
	if s.plaintext, err = a.choose("insecure-plaintext", a.given.plaintext, "BAYHOLD_INSECURE_PLAINTEXT", file.Plain); err != nil {
		return s, err
	}
	if s.timeout < 0 {
		return s, usage("--timeout is %s; it must be more than nothing", s.timeout)
	}
	return s, s.setTimeout(a.env("BAYHOLD_TIMEOUT"), file.Timeout, where)
}

// choose gives what flag, environment or file say of a yes or no.
func (a *app) choose(flag string, given bool, variable string, file bool) (bool, error) {
	if a.changed(flag) {
		return given, nil
	}
	v := a.env(variable)
	if v == "" {
		return file, nil
	}
	on, err := strconv.ParseBool(v)
	if err != nil {
		return false, usage("%s is %q; it can be true or false", variable, v)
	}
	return on, nil
}

// setTimeout reads the timeout from environment or file if no flag gave it.
func (s *settings) setTimeout(env, file, where string) error {
	if s.timeout != 0 {
		return nil
	}
	text, source := env, "BAYHOLD_TIMEOUT"
	if text == "" {
		text, source = file, where+": timeout"
	}
	if text == "" {
		s.timeout = dial.DefaultTimeout
		return nil
	}
	d, err := time.ParseDuration(text)
	if err != nil || d <= 0 {
		return usage("%s is %q; write it like 30s or 2m", source, text)
	}
	s.timeout = d
	return nil
}

// readConfig reads the config file; having none is no error.
func (a *app) readConfig() (configFile, string, error) {
	dir := a.userDir("XDG_CONFIG_HOME", ".config")
	if dir == "" {
		return configFile{}, "", nil
	}
	path := filepath.Join(dir, "config.yaml")
	body, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return configFile{}, path, nil
	}
	if err != nil {
		return configFile{}, path, usage("cannot read the config file: %s", err)
	}
	var c configFile
	dec := yaml.NewDecoder(bytes.NewReader(body))
	dec.KnownFields(true) // a misspelt setting must not be lost in silence
	if err := dec.Decode(&c); err != nil && !errors.Is(err, io.EOF) {
		return configFile{}, path, usage("%s: %s", path, yamlMessage(err))
	}
	return c, path, nil
}

// yamlMessage takes the library's name and Go's types out of its messages.
func yamlMessage(err error) string {
	text := strings.TrimPrefix(err.Error(), "yaml: ")
	text = strings.TrimPrefix(text, "unmarshal errors:\n  ")
	text = strings.ReplaceAll(text, " not found in type cli.configFile", " is no setting")
	text = strings.ReplaceAll(text, " not found in type cli.newEntry", " is nothing that a job has")
	text = strings.ReplaceAll(text, " not found in type cli.certificateFile", " is nothing that a certificate has")
	text = strings.ReplaceAll(text, " not found in type cli.pointEntry", " is nothing that a point has")
	return strings.ReplaceAll(text, "\n  ", "; ")
}

// userDir gives bayhold's directory under a base directory of the XDG
// specification; "" if the environment names no home.
func (a *app) userDir(variable, under string) string {
	if base := a.env(variable); filepath.IsAbs(base) {
		return filepath.Join(base, "bayhold")
	}
	if home := a.env("HOME"); home != "" {
		return filepath.Join(home, under, "bayhold")
	}
	return ""
}

// journal gives the place for requests whose outcome is not known.
func (a *app) journal() dial.Journal {
	dir := a.userDir("XDG_STATE_HOME", filepath.Join(".local", "state"))
	if dir == "" {
		return dial.Journal{}
	}
	return dial.Journal{Dir: filepath.Join(dir, "requests")}
}

// width gives how many columns an answer may take: 80, or what COLUMNS says.
func (a *app) width() int {
	if n, err := strconv.Atoi(a.env("COLUMNS")); err == nil && n >= 40 && n <= 1000 {
		return n
	}
	return 80
}

// outputs are the forms that an answer can have.
var outputs = []string{"table", "json", "yaml", "csv"}

// output tells in which form answers are wanted. Before the settings are known
// it goes by the words of the command line.
func (a *app) output() string {
	if a.set.output != "" {
		return a.set.output
	}
	line := " " + strings.Join(a.args, " ") + " "
	for _, o := range outputs {
		for _, form := range []string{"--output ", "--output=", "-o ", "-o", "-o="} {
			if strings.Contains(line, " "+form+o+" ") {
				return o
			}
		}
	}
	return first(a.env("BAYHOLD_OUTPUT"), "table")
}

// structured tells whether answers and errors are wanted as the server gives
// them: as JSON or YAML.
func (a *app) structured() bool { o := a.output(); return o == "json" || o == "yaml" }

// machine tells whether a program reads the answer: nothing is asked then, and
// no progress told.
func (a *app) machine() bool { return a.output() != "table" }

// first gives the first text that is not empty.
func first(texts ...string) string {
	for _, t := range texts {
		if t != "" {
			return t
		}
	}
	return ""
}

// quote writes a word so that a shell reads it as one.
func quote(word string) string {
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' ||
			strings.ContainsRune("-_./:=+@,%", r)
	}
	if word != "" && strings.IndexFunc(word, func(r rune) bool { return !plain(r) }) < 0 {
		return word
	}
	if !strings.ContainsAny(word, "\"$`\\!") {
		return `"` + word + `"`
	}
	return "'" + strings.ReplaceAll(word, "'", `'\''`) + "'"
}

// again gives a command of this program with the connection flags of this run.
func (a *app) again(words ...string) string {
	all := append([]string{"bayhold"}, words...)
	for _, f := range []struct{ flag, value string }{
		{"--server", a.given.server}, {"--site", a.given.site}, {"--ca", a.given.ca},
		{"--cert", a.given.cert}, {"--key", a.given.key},
	} {
		if f.value != "" {
			all = append(all, f.flag, f.value)
		}
	}
	if a.given.tls {
		all = append(all, "--tls")
	}
	if a.given.plaintext {
		all = append(all, "--insecure-plaintext")
	}
	for i, w := range all {
		all[i] = quote(w)
	}
	return strings.Join(all, " ")
}

// repeat gives the command line of this run with a request id, and without
// the token, which belongs on no screen.
func (a *app) repeat(id string) string {
	words := []string{"bayhold"}
	for i := 0; i < len(a.args); i++ {
		name, _, joined := strings.Cut(a.args[i], "=")
		if name == "--token" || name == "--request-id" {
			if !joined {
				i++
			}
			continue
		}
		words = append(words, quote(a.args[i]))
	}
	return strings.Join(append(words, "--request-id", id), " ")
}

// note remembers a remark that belongs above the answer.
func (a *app) note(format string, args ...any) {
	a.notes = append(a.notes, fmt.Sprintf(format, args...))
}
