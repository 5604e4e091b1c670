package sitefile

import "strings"

// maxCandidates is how many words one is compared with.
const maxCandidates = 1_000

// hint is nearest, for as long as it is worth the time: not among a great many
// names, nor for faults that will only be counted.
func (r *reader) hint(word string, candidates []string) string {
	if len(candidates) > maxCandidates || len(r.found) > maxFaults {
		return ""
	}
	return nearest(word, candidates)
}

// nearest is the candidate that a misspelt word most likely stands for; empty
// if none is near. Equal distances go to the first.
func nearest(word string, candidates []string) string {
	const longest = 64
	if len(word) > longest {
		return ""
	}
	// One slip in a short word, a third of a longer one, but no more than 3.
	best, within := "", min(max(1, len(word)/3), 3)
	lower := strings.ToLower(word)
	for _, c := range candidates {
		if len(c) > longest {
			continue
		}
		if len(word) > 2 && strings.HasPrefix(strings.ToLower(c), lower) {
			return c // cut short
		}
		if d := distance(lower, strings.ToLower(c)); d <= within {
			best, within = c, d-1
		}
	}
	return best
}

// distance counts the letters to insert, drop, change or swap with their
// neighbour to make b of a.
func distance(a, b string) int {
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			change := last[j-1]
			if a[i-1] != b[j-1] {
				change++
			}
			row[j] = min(change, last[j]+1, row[j-1]+1)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}
