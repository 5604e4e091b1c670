package plan

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// project is a resource-constrained project as the published sets have them.
type project struct {
	name     string
	duration []int
	succ     [][]int // from 0
	need     [][]int // by step, by resource
	capacity []int
}

// readProject reads a single-mode PSPLIB file (.sm) or a Patterson file (.rcp).
func readProject(path string) (*project, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var pr *project
	if strings.HasSuffix(path, ".rcp") {
		pr, err = parsePatterson(string(data))
	} else {
		pr, err = parseSM(string(data))
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	pr.name = filepath.Base(path)
	return pr, nil
}

// numbers gives the integers of a line.
func numbers(line string) []int {
	var out []int
	for _, f := range strings.Fields(line) {
		if v, err := strconv.Atoi(f); err == nil {
			out = append(out, v)
		}
	}
	return out
}

// parseSM reads the sections of a PSPLIB file: successors, then durations and
// needs, then capacities.
func parseSM(text string) (*project, error) {
	pr := &project{}
	section := ""
	sc := bufio.NewScanner(strings.NewReader(text))
	for sc.Scan() {
		line := sc.Text()
		switch {
		case strings.HasPrefix(line, "****"), strings.HasPrefix(line, "----"):
			continue
		case strings.HasPrefix(line, "PRECEDENCE"), strings.HasPrefix(line, "REQUESTS"), strings.HasPrefix(line, "RESOURCEAVAIL"):
			section = line[:3]
			continue
		}
		v := numbers(line)
		if len(v) == 0 || strings.HasPrefix(strings.TrimSpace(line), "R ") || strings.Contains(line, "jobnr") {
			continue
		}
		switch section {
		case "PRE":
			if len(v) < 3 || len(v) != 3+v[2] || v[0] != len(pr.succ)+1 {
				return nil, fmt.Errorf("odd successors %q", line)
			}
			var succ []int
			for _, s := range v[3:] {
				succ = append(succ, s-1)
			}
			pr.succ = append(pr.succ, succ)
		case "REQ":
			if len(v) < 4 || v[0] != len(pr.duration)+1 {
				return nil, fmt.Errorf("odd request %q", line)
			}
			pr.duration = append(pr.duration, v[2])
			pr.need = append(pr.need, v[3:])
		case "RES":
			pr.capacity = v
		}
	}
	return pr, pr.sound()
}

// parsePatterson reads steps and resources, capacities, and per step its
// duration, needs and successors, wherever the lines break.
func parsePatterson(text string) (*project, error) {
	v := numbers(text)
	at := 0
	next := func() int {
		if at >= len(v) {
			at++
			return 0
		}
		at++
		return v[at-1]
	}
	n, m := next(), next()
	if n < 1 || n > 10_000 || m < 0 || m > 100 {
		return nil, fmt.Errorf("%d steps, %d resources", n, m)
	}
	pr := &project{}
	for range m {
		pr.capacity = append(pr.capacity, next())
	}
	for range n {
		pr.duration = append(pr.duration, next())
		need := make([]int, m)
		for r := range need {
			need[r] = next()
		}
		pr.need = append(pr.need, need)
		succ := make([]int, max(0, min(n, next())))
		for s := range succ {
			succ[s] = next() - 1
		}
		pr.succ = append(pr.succ, succ)
	}
	if at > len(v) {
		return nil, fmt.Errorf("ends early")
	}
	return pr, pr.sound()
}

func (pr *project) sound() error {
	if len(pr.succ) == 0 || len(pr.succ) != len(pr.duration) {
		return fmt.Errorf("%d lines of successors, %d of requests", len(pr.succ), len(pr.duration))
	}
	for i := range pr.succ {
		if len(pr.need[i]) != len(pr.capacity) {
			return fmt.Errorf("step %d has %d needs of %d resources", i, len(pr.need[i]), len(pr.capacity))
		}
		for _, s := range pr.succ[i] {
			if s < 0 || s >= len(pr.succ) {
				return fmt.Errorf("step %d has no successor %d", i, s)
			}
		}
	}
	return nil
}

// problem is the project in the planner's words: pools only.
func (pr *project) problem() *Problem {
	p := &Problem{Jobs: []Job{{Due: Never, Weight: 1}}}
	for i, d := range pr.duration {
		p.Horizon += Time(d)
		p.Steps = append(p.Steps, Step{Duration: Time(d)})
		for _, s := range pr.succ[i] {
			p.Arcs = append(p.Arcs, Arc{From: int32(i), To: int32(s)})
		}
		for r, a := range pr.need[i] {
			if a > 0 {
				p.Uses = append(p.Uses, Use{Step: int32(i), Pool: int32(r), Amount: int32(a)})
			}
		}
	}
	p.Horizon = max(1, p.Horizon)
	for _, c := range pr.capacity {
		p.Pools = append(p.Pools, Pool{Capacity: int32(c)})
	}
	return p
}

// criticalPath is the length of the longest chain.
func (pr *project) criticalPath() int {
	p := pr.problem()
	order, _ := p.sort()
	end, last := make([]int, len(order)), 0
	for _, k := range order {
		end[k] += pr.duration[k]
		last = max(last, end[k])
		for _, s := range pr.succ[k] {
			end[s] = max(end[s], end[k])
		}
	}
	return last
}
