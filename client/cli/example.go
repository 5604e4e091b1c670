package cli

import "strings"

// folded breaks the command lines of examples before a flag, or a word if there
// is none, so that they fit 80 columns and can still be copied into a shell.
func folded(example string) string {
	const room = 80
	var out []string
	for line := range strings.SplitSeq(example, "\n") {
		for textWidth(line) > room {
			cut := strings.LastIndex(line[:min(len(line), room-1)], " -")
			if cut <= 6 && !strings.ContainsRune(line, '"') {
				cut = strings.LastIndex(line[:min(len(line), room-1)], " ")
			}
			if cut <= 6 {
				break // nowhere to break
			}
			out = append(out, line[:cut]+` \`)
			line = "      " + line[cut+1:]
		}
		out = append(out, line)
	}
	return strings.Join(out, "\n")
}
