package main

import (
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"

	"bayhold/client/cli"
	"bayhold/internal/fault"
	"bayhold/testdata/demo"
)

// dayAgo is how the demo's records write a day: "day-40" is forty days ago.
var dayAgo = regexp.MustCompile(`day-(\d+)`)

// dated puts days in the place of what the demo's records write.
func dated(text string, now time.Time) string {
	return dayAgo.ReplaceAllStringFunc(text, func(m string) string {
		days, err := strconv.Atoi(strings.TrimPrefix(m, "day-"))
		if err != nil {
			return m
		}
		return now.AddDate(0, 0, -days).Format(time.DateOnly)
	})
}

// record enters what the demo has recorded of its torque tools, without a show.
func (s *show) record(now time.Time) error {
	zone, err := time.LoadLocation(demoZone)
	if err != nil {
		return err
	}
	now = now.In(zone)
	err = fs.WalkDir(demo.Records, "records", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		content, err := demo.Records.ReadFile(name)
		if err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(s.dir, path.Base(name)), []byte(dated(string(content), now)), 0o600)
	})
	if err != nil {
		return err
	}
	commands, err := os.ReadFile(filepath.Join(s.dir, "calibration.txt"))
	if err != nil {
		return err
	}
	for line := range strings.Lines(string(commands)) {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		if err := s.enter(line); err != nil {
			return err
		}
	}
	return s.ctx.Err()
}

// enter runs one command of the records.
func (s *show) enter(line string) error {
	args := []string{"calibration"}
	for word := range strings.SplitSeq(line, "|") {
		word = strings.TrimSpace(word)
		if strings.HasSuffix(word, ".csv") || strings.HasSuffix(word, ".yaml") {
			word = filepath.Join(s.dir, word)
		}
		args = append(args, word)
	}
	env := map[string]string{"BAYHOLD_SERVER": s.server, "XDG_STATE_HOME": s.dir, "BAYHOLD_TOKEN": s.tokens[administrator]}
	code := cli.Run(s.ctx, args, cli.Streams{In: strings.NewReader(""), Out: io.Discard, Err: os.Stdout}, func(key string) string { return env[key] }, s.clock.present)
	if code != exitDone {
		return fault.New(fault.Internal, "DEMO", "the demo went astray: %q ended with %d", line, code)
	}
	return nil
}
