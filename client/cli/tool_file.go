package cli

import (
	"context"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) toolImportCommand() *cobra.Command {
	var f importFlags
	f.toolsOnly = true
	cmd := a.command(verb{
		use: "import FILE...", short: "Take in tool types and tools from CSV or YAML, all or none",
		long: `Take in tool types and tools: all of them, or none if anything is faulty; every
faulty cell is told, such as tools.csv:C5. A file whose name ends in .csv
is CSV (RFC 4180): a row a tool, or a row a tool type; its first row names
the columns, and bayhold tool export shows which there are. Where the columns
have names of your own, --mapping says which is which (see bayhold import). Any
other file is a workshop file in YAML with tool_types and tools. Importing what
was exported changes nothing. Of a tool whose condition a file does not tell,
the condition stays as it is.`,
		example: `  bayhold tool export --format csv --to tools.csv
  bayhold tool import --dry-run tools.csv
  bayhold tool import tools.csv`,
		args: cobra.MinimumNArgs(1),
		run:  func(ctx context.Context, args []string) error { return a.importFiles(ctx, args, f) },
	})
	cmd.Flags().BoolVar(&f.dryRun, "dry-run", false, "read and judge the files, show what would change, write nothing")
	mappingFlag(cmd, &f)
	a.requestIDFlag(cmd)
	return cmd
}

// exportFormats are what --format can be.
var exportFormats = map[string]bayholdv1.ExportToolsRequest_Format{
	"yaml":      bayholdv1.ExportToolsRequest_FORMAT_YAML,
	"csv":       bayholdv1.ExportToolsRequest_FORMAT_CSV_TOOLS,
	"types-csv": bayholdv1.ExportToolsRequest_FORMAT_CSV_TOOL_TYPES,
}

func (a *app) toolExportCommand() *cobra.Command {
	var format, to string
	cmd := a.command(verb{
		use: "export [--format yaml|csv|types-csv]", short: "Write the inventory as a file that can be imported",
		long: `Write the inventory: yaml has tool types and tools; csv a line a tool, types-csv
a line a tool type (RFC 4180). bayhold tool import takes it in to the same
effect, also after a spreadsheet has saved it: the apostrophe before what would
run there as a formula goes again.`,
		example: `  bayhold tool export > tools.yaml
  bayhold tool export --format csv --to tools.csv`,
		args: cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error {
			form, ok := exportFormats[format]
			if !ok {
				return usage("--format is %q; it can be yaml, csv or types-csv", format)
			}
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			resp, err := p.Tools.ExportTools(ctx, &bayholdv1.ExportToolsRequest{Parent: p.site.GetName(), Format: form})
			switch {
			case err != nil:
				return err
			case to != "":
				if err := os.WriteFile(filepath.Clean(to), resp.GetContent(), 0o644); err != nil {
					return fileProblem("write", to, err)
				}
				return nil
			case a.structured():
				return a.answer(resp, nil)
			}
			_, err = a.streams.Out.Write(resp.GetContent())
			return err
		},
	})
	cmd.Flags().StringVar(&format, "format", "yaml", "yaml, csv or types-csv")
	cmd.Flags().StringVar(&to, "to", "", "write it to this `file`")
	return cmd
}

// printToolImport says what an import of tools changed, or would.
func (a *app) printToolImport(w io.Writer, c clock, resp *bayholdv1.ImportWorkshopResponse, dryRun bool) {
	a.printImport(w, resp, dryRun)
	if len(resp.GetAffectedBookings()) > 0 {
		a.printAffected(w, c, resp.GetAffectedBookings())
	}
}
