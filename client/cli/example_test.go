package cli

import (
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// TestExamplesAreRightUsage reads every command line of every example as the
// program would: the command is there, its flags are, and so is each word that
// it wants. What a server would answer is not asked here.
func TestExamplesAreRightUsage(t *testing.T) {
	lines := 0
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		for line := range strings.SplitSeq(strings.ReplaceAll(c.Example, "\\\n", ""), "\n") {
			line = strings.TrimSpace(line)
			if !strings.HasPrefix(line, "bayhold ") {
				continue
			}
			lines++
			words := shellWords(line)[1:]
			root := (&app{changed: func(string) bool { return false }}).root()
			cmd, rest, err := root.Find(words)
			if err != nil {
				t.Errorf("%s: %v", line, err)
				continue
			}
			if err := cmd.ParseFlags(rest); err != nil {
				t.Errorf("%s: %v", line, err)
				continue
			}
			if err := cmd.ValidateArgs(cmd.Flags().Args()); err != nil {
				t.Errorf("%s: %v", line, err)
			}
			if err := cmd.ValidateRequiredFlags(); err != nil {
				t.Errorf("%s: %v", line, err)
			}
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk((&app{}).root())
	if lines < 100 {
		t.Errorf("only %d lines of examples", lines)
	}
}

// shellWords splits a line at spaces outside quotes, as far as a redirection, a
// pipe or a comment.
func shellWords(line string) []string {
	var out []string
	var word strings.Builder
	quote, begun := rune(0), false
	for _, r := range line {
		switch {
		case quote != 0 && r == quote:
			quote = 0
		case quote != 0:
			word.WriteRune(r)
		case r == '"' || r == '\'':
			quote, begun = r, true
		case r == ' ':
			if begun {
				out = append(out, word.String())
				word.Reset()
			}
			begun = false
		case (r == '>' || r == '|' || r == '<' || r == '#') && !begun:
			return out
		default:
			begun = true
			word.WriteRune(r)
		}
	}
	if begun {
		out = append(out, word.String())
	}
	return out
}
