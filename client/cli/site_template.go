package cli

import (
	"context"
	_ "embed"
	"io"

	"github.com/spf13/cobra"
)

// siteTemplate is a small workshop file that imports as it is.
//
//go:embed template.yaml
var siteTemplate string

func (a *app) siteTemplateCommand() *cobra.Command {
	return a.command(verb{
		use: "template", short: "Print a workshop file to start from",
		long: `Print a workshop file with remarks: one bay, two people, five tools and a
procedure. It imports as it is; change it into your own. No server is asked.`,
		example: "  bayhold site template > workshop.yaml",
		args:    cobra.NoArgs,
		run: func(context.Context, []string) error {
			_, err := io.WriteString(a.streams.Out, siteTemplate)
			return err
		},
	})
}
