package cli

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// newEntry is a job that wants a place, as it is typed or written in a file.
type newEntry struct {
	Reference  string            `yaml:"reference"`
	Procedures []string          `yaml:"procedures"`
	Earliest   string            `yaml:"earliest"`
	Promise    string            `yaml:"promise"`
	Weight     float64           `yaml:"weight"`
	Parts      map[string]string `yaml:"parts"` // by id: when each is expected
}

// newJob reads "REFERENCE=PROCEDURE,PROCEDURE@EARLIEST/PROMISE".
func (a *app) newJob(p *place, text string) (*bayholdv1.NewJob, error) {
	reference, rest, named := strings.Cut(text, "=")
	work, when, timed := strings.Cut(rest, "@")
	if !named || !timed {
		return nil, usage(`--new is %q; write it like "R-51=belt-orlo-20@tomorrow 8:00/fri 16:00"`, text).
			try("bayhold job arrange --help")
	}
	e := newEntry{Reference: strings.TrimSpace(reference)}
	for word := range strings.SplitSeq(work, ",") {
		e.Procedures = append(e.Procedures, strings.TrimSpace(word))
	}
	earliest, promise, promised := strings.Cut(when, "/")
	if promised && strings.TrimSpace(promise) == "" {
		return nil, usage("--new %s: no promise after the /", e.Reference)
	}
	e.Earliest, e.Promise = earliest, promise
	return a.readNew(p, "--new "+e.Reference, e)
}

// newJobsFromFile reads a YAML list of jobs.
func (a *app) newJobsFromFile(p *place, path string) ([]*bayholdv1.NewJob, error) {
	body, err := a.readFile(path)
	if err != nil {
		return nil, err
	}
	var list []newEntry
	dec := yaml.NewDecoder(bytes.NewReader(body))
	dec.KnownFields(true) // a misspelt promise must not be lost in silence
	if err := dec.Decode(&list); err != nil && !errors.Is(err, io.EOF) {
		return nil, usage("%s: %s", path, yamlMessage(err)).try("bayhold job arrange --help")
	}
	if len(list) == 0 {
		return nil, usage("%s holds no job", path).try("bayhold job arrange --help")
	}
	out := make([]*bayholdv1.NewJob, 0, len(list))
	for i, e := range list {
		where := fmt.Sprintf("%s: job %d", path, i+1)
		if e.Reference != "" {
			where = path + ": " + e.Reference
		}
		job, err := a.readNew(p, where, e)
		if err != nil {
			return nil, err
		}
		out = append(out, job)
	}
	return out, nil
}

// readNew makes the job; where says in errors which one it is.
func (a *app) readNew(p *place, where string, e newEntry) (*bayholdv1.NewJob, error) {
	if e.Reference == "" {
		return nil, usage("%s has no reference", where)
	}
	if len(e.Procedures) == 0 {
		return nil, usage("%s has no procedures", where).try("bayhold procedure list")
	}
	job := &bayholdv1.NewJob{Reference: e.Reference, Weight: e.Weight}
	var err error
	if job.Procedures, err = p.names(procedures, e.Procedures); err != nil {
		return nil, err
	}
	earliest, err := a.when(p.clock, where+", earliest", e.Earliest, dayStart)
	if err != nil {
		return nil, err
	}
	job.EarliestTime = stamp(earliest)
	if e.Promise != "" {
		promise, err := a.when(p.clock.since(earliest), where+", promise", e.Promise, dayEnd)
		if err != nil {
			return nil, err
		}
		job.PromiseTime = stamp(promise)
	}
	for _, part := range slices.Sorted(maps.Keys(e.Parts)) {
		expected, err := a.when(p.clock, where+", part "+part, e.Parts[part], dayStart)
		if err != nil {
			return nil, err
		}
		job.PartArrivals = append(job.PartArrivals, &bayholdv1.PartArrival{Part: part, ExpectedTime: stamp(expected)})
	}
	return job, nil
}
