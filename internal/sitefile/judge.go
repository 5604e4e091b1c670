package sitefile

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"bayhold/internal/procedure"
	"bayhold/internal/site"
)

// ownerKey names a preparation, or a version of a procedure, of the files.
type ownerKey struct {
	kind, id string
	version  int // 0 for a preparation
}

// judgeWork has preparations and procedures judged as one library, together
// with what the site has already. It fails where that would be too much work.
func (r *reader) judgeWork(w *Workshop, judge func(procedure.Library) []procedure.Finding) error {
	if len(w.Preparations)+len(w.Procedures) == 0 {
		return nil
	}
	lib := r.library(w)
	if err := bound(lib); err != nil {
		return err
	}
	for _, p := range w.Procedures {
		if lib.Procedures[p.ID].Version != p.Version {
			for _, f := range p.Faults() { // an older version, judged by itself
				r.adopt(ownerKey{aProcedure, p.ID, p.Version}, f, f.Path)
			}
		}
	}
	for _, f := range judge(lib) {
		m := ownerPath.FindStringSubmatch(f.Path)
		if m == nil {
			r.adoptWhole(w, f)
			continue
		}
		key := ownerKey{kind: strings.TrimSuffix(m[1], "s"), id: m[2]}
		if key.kind == aProcedure {
			key.version = lib.Procedures[key.id].Version
		}
		r.adopt(key, f, m[3])
	}
	return nil
}

// library is what the files say laid over what the site has; of several
// versions of a procedure, the newest.
func (r *reader) library(w *Workshop) procedure.Library {
	lib := procedure.Library{
		Preparations: make(map[string]procedure.Preparation), Procedures: make(map[string]procedure.Procedure),
		ToolTypes: make(map[string]site.ToolType),
	}
	for _, t := range slices.Concat(r.known.ToolTypes, w.ToolTypes) {
		lib.ToolTypes[t.ID] = t
	}
	for _, p := range slices.Concat(r.known.Preparations, w.Preparations) {
		lib.Preparations[p.ID] = p
	}
	for _, p := range slices.Concat(r.known.Procedures, w.Procedures) {
		if p.Version >= lib.Procedures[p.ID].Version {
			lib.Procedures[p.ID] = p
		}
	}
	return lib
}

// bound refuses a library whose judging would take too long: each owner is
// merged with all the preparations that it stands on.
func bound(lib procedure.Library) error {
	steps, visits := 0, 0
	for _, root := range lib.Preparations {
		if err := weigh(lib, root.Needs, len(root.SetUp)+len(root.PutBack), &steps, &visits); err != nil {
			return err
		}
	}
	for _, root := range lib.Procedures {
		if err := weigh(lib, root.Needs, len(root.Steps), &steps, &visits); err != nil {
			return err
		}
	}
	return nil
}

// weigh adds the steps of an owner and of all that it stands on.
func weigh(lib procedure.Library, needs []string, own int, steps, visits *int) error {
	*steps += own
	seen := make(map[string]bool)
	for open := needs; len(open) > 0; {
		next := open[len(open)-1]
		open = open[:len(open)-1]
		*visits++
		if !seen[next] {
			seen[next] = true
			p := lib.Preparations[next]
			*steps += len(p.SetUp) + len(p.PutBack)
			open = append(open[:len(open):len(open)], p.Needs...)
		}
		if *steps > MaxMerged || *visits > 10*MaxMerged {
			return tooLarge("with the preparations that they need, the procedures have more than %d steps", MaxMerged)
		}
	}
	return nil
}

// ownerPath is where a finding of the library begins.
var ownerPath = regexp.MustCompile(`^(preparations|procedures)\[([^\]]*)\]\.?(.*)$`)

// adopt notes a finding on an owner at the line of the part it is on.
func (r *reader) adopt(key ownerKey, f procedure.Finding, path string) {
	o, ok := r.owners[key]
	if !ok {
		if f.Fault {
			r.keep(f, "", 0, fmt.Sprintf("%s %s, which stands already: %s", key.kind, key.id, path))
		}
		return
	}
	at, part := o.locate(path)
	what := key.kind + " " + clip(key.id)
	if part != "" {
		what += ", " + part
	}
	r.keep(f, o.file, at.Line, what)
}

// adoptWhole notes a finding on no single owner at the first preparation.
func (r *reader) adoptWhole(w *Workshop, f procedure.Finding) {
	for _, p := range w.Preparations {
		o := r.owners[ownerKey{aPreparation, p.ID, 0}]
		r.keep(f, o.file, o.line(), f.Path)
		return
	}
	r.keep(f, "", 0, f.Path)
}

// keep notes a finding of the library at its place in the files.
func (r *reader) keep(f procedure.Finding, file string, line int, what string) {
	r.found = append(r.found, Finding{File: file, Line: line, Rule: f.Rule, Message: what + ": " + f.Message, Fault: f.Fault})
}

// segment is a part of a path: a key, and for a list the place in it.
var segment = regexp.MustCompile(`^([a-z_]*)(?:\[(\d+)\])?$`)

// locate finds the part of the owner that a path leads to: as deep as the file
// follows it, and in words.
func (o *owner) locate(path string) (*yaml.Node, string) {
	at, node := o.at, o.node
	words := path
	for i, s := range strings.Split(path, ".") {
		m := segment.FindStringSubmatch(s)
		if m == nil || node == nil {
			break
		}
		key, value := lookUp(node, m[1])
		if value == nil {
			break
		}
		at, node = key, value
		if m[2] == "" {
			continue
		}
		n, _ := strconv.Atoi(m[2])
		if node.Kind == yaml.SequenceNode {
			if n >= len(node.Content) {
				break
			}
			at, node = node.Content[n], resolve(node.Content[n])
		}
		if list := o.steps[m[1]]; i == 0 && n < len(list) {
			words = strings.TrimPrefix(strings.TrimPrefix(path, s), ".")
			words = strings.TrimSuffix("step "+list[n].ID+", "+words, ", ")
		}
	}
	return at, words
}

// lookUp finds a key of a map and its value.
func lookUp(n *yaml.Node, name string) (key, value *yaml.Node) {
	if n.Kind != yaml.MappingNode {
		return nil, nil
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		if k := resolve(n.Content[i]); k != nil && k.Value == name {
			return n.Content[i], resolve(n.Content[i+1])
		}
	}
	return nil, nil
}
