package cli

import (
	"context"
	"regexp"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// completeWithin bounds how long a shell waits for words at a press of the tab
// key.
const completeWithin = 2 * time.Second

// lister gives what a word may be, each "word" or "word<tab>what it is".
type lister func(ctx context.Context, p *place) ([]string, error)

// listers are the sorts of words that the server knows, by the placeholder that
// stands for them in the usage of a command or a flag.
var listers = map[string]lister{
	"bay": bayWords, "technician": technicianWords, "tool": toolWords, "type": typeWords, "job": jobWords,
	"procedure": procedureWords, "resource": resourceWords,
}

// flagSorts are the sorts of flags whose usage names none.
var flagSorts = map[string]string{
	"bay": "bay", "technician": "technician", "tool": "tool", "type": "type", "job": "job", "procedure": "procedure",
	"instead-of": "job", "out": "resource", "on": "tool",
}

// completions gives every command and flag of a tree its words. What goes wrong
// stays unsaid: a shell is no place for it.
func (a *app) completions(cmd *cobra.Command) {
	for _, c := range cmd.Commands() {
		a.completions(c)
	}
	if sorts := positions(cmd.Use); len(sorts) > 0 && cmd.ValidArgsFunction == nil {
		cmd.ValidArgsFunction = func(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
			at := min(len(args), len(sorts)-1)
			if at < len(args) && !sorts[at].more {
				return nil, cobra.ShellCompDirectiveNoFileComp
			}
			return a.words(cmd, sorts[at].sort)
		}
	}
	cmd.LocalNonPersistentFlags().VisitAll(func(f *pflag.Flag) {
		sort := sortOf(f)
		if sort == "" {
			return
		}
		_ = cmd.RegisterFlagCompletionFunc(f.Name, func(cmd *cobra.Command, _ []string, _ string) ([]string, cobra.ShellCompDirective) {
			return a.words(cmd, sort)
		})
	})
}

// position is what the usage of a command says of one of its words.
type position struct {
	sort string
	more bool // and of those that follow
}

// placeholderWord is a word in capitals, one that may be left out or repeated,
// or the first half of JOB/STEP.
var placeholderWord = regexp.MustCompile(`^[\[(]?([A-Z]+)(/[A-Z]+)?(\.\.\.)?\]?(\.\.\.)?$`)

// positions reads "show TOOL NUMBER" until the first flag.
func positions(use string) []position {
	var out []position
	for _, word := range strings.Fields(use)[1:] {
		m := placeholderWord.FindStringSubmatch(word)
		if m == nil {
			break
		}
		sort := strings.ToLower(m[1])
		if m[2] != "" {
			sort += "/"
		}
		out = append(out, position{sort, m[3]+m[4] != ""})
	}
	return out
}

// sortOf gives what a flag's value is: a sort of word, "file", "none" if it is
// free text, or "" if the flag needs no value or has its words already.
func sortOf(f *pflag.Flag) string {
	if f.Value.Type() == "bool" {
		return ""
	}
	name, _ := pflag.UnquoteUsage(f)
	switch {
	case listers[name] != nil:
		return name
	case name == "file":
		return "file"
	case flagSorts[f.Name] != "":
		return flagSorts[f.Name]
	}
	return "none"
}

// words asks the server for words of a sort.
func (a *app) words(cmd *cobra.Command, sort string) ([]string, cobra.ShellCompDirective) {
	sort, step := strings.CutSuffix(sort, "/")
	list := listers[sort]
	switch {
	case sort == "file":
		return nil, cobra.ShellCompDirectiveDefault
	case list == nil:
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	a.changed = cmd.Flags().Changed
	set, err := a.settle()
	if err != nil {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	a.set = set
	ctx := cmd.Context()
	if ctx == nil {
		ctx = context.Background()
	}
	ctx, cancel := context.WithTimeout(ctx, completeWithin)
	defer cancel()
	p, err := a.at(ctx)
	if err != nil {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	found, err := list(ctx, p)
	if err != nil {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	directive := cobra.ShellCompDirectiveNoFileComp
	for i, w := range found {
		word, what, _ := strings.Cut(w, "\t")
		if step {
			word += "/"
		}
		found[i] = plain(word) + "\t" + plain(what)
	}
	if step {
		directive |= cobra.ShellCompDirectiveNoSpace
	}
	return found, directive
}

func bayWords(ctx context.Context, p *place) ([]string, error) {
	got, err := p.allBays(ctx)
	return wordsOf(got.GetBays(), func(b *bayholdv1.Bay) string { return b.GetDisplayName() }), err
}

func toolWords(ctx context.Context, p *place) ([]string, error) {
	got, err := p.listTools(ctx, &bayholdv1.ListToolsRequest{Parent: p.site.GetName(), PageSize: pages})
	return wordsOf(got.GetTools(), func(t *bayholdv1.Tool) string { return id(t.GetToolType()) }), err
}

func typeWords(ctx context.Context, p *place) ([]string, error) {
	got, err := p.allToolTypes(ctx)
	return wordsOf(got.GetToolTypes(), func(t *bayholdv1.ToolType) string { return t.GetDisplayName() }), err
}

func technicianWords(ctx context.Context, p *place) ([]string, error) {
	var list []*bayholdv1.Technician
	err := all(func(token string) (string, error) {
		page, err := p.Technicians.ListTechnicians(ctx, &bayholdv1.ListTechniciansRequest{Parent: p.site.GetName(), PageSize: pages, PageToken: token})
		list = append(list, page.GetTechnicians()...)
		return page.GetNextPageToken(), err
	})
	return wordsOf(list, func(t *bayholdv1.Technician) string { return t.GetDisplayName() }), err
}

func procedureWords(ctx context.Context, p *place) ([]string, error) {
	var list []*bayholdv1.Procedure
	err := all(func(token string) (string, error) {
		page, err := p.Procedures.ListProcedures(ctx, &bayholdv1.ListProceduresRequest{Parent: p.site.GetName(), PageSize: pages, PageToken: token})
		list = append(list, page.GetProcedures()...)
		return page.GetNextPageToken(), err
	})
	return wordsOf(list, func(x *bayholdv1.Procedure) string { return x.GetDisplayName() }), err
}

// jobWords gives the jobs from two weeks back to eight ahead.
func jobWords(ctx context.Context, p *place) ([]string, error) {
	today := p.clock.today()
	got, err := p.listJobs(ctx, &bayholdv1.ListJobsRequest{During: &bayholdv1.TimeRange{
		Start: stamp(p.clock.midnight(today.plus(-14))), End: stamp(p.clock.midnight(today.plus(56))),
	}})
	return wordsOf(got.GetJobs(), func(j *bayholdv1.Job) string { return j.GetReference() }), err
}

// resourceWords gives what can be out: bays, technicians and tools.
func resourceWords(ctx context.Context, p *place) ([]string, error) {
	var out []string
	for _, list := range []lister{bayWords, technicianWords, toolWords} {
		some, err := list(ctx, p)
		if err != nil {
			return nil, err
		}
		out = append(out, some...)
	}
	return out, nil
}

// wordsOf gives the ids of things, each with what it is.
func wordsOf[T interface{ GetName() string }](list []T, what func(T) string) []string {
	out := make([]string, len(list))
	for i, x := range list {
		out[i] = id(x.GetName()) + "\t" + what(x)
	}
	return out
}
