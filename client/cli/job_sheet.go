package cli

import (
	"context"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// sheetFlags say how a sheet is wanted, and where.
type sheetFlags struct {
	html bool
	to   string
	unit string // of torques
}

func (a *app) jobSheetCommand() *cobra.Command {
	var f sheetFlags
	cmd := a.command(verb{
		use: "sheet JOB", short: "Print the sheet that a technician works by",
		long: `Print a job's sheet: the steps in order with their cautions before them, tools
and set values, people, parts, hold points and lines to sign. It is text, or
with --html a page to print on A4. --to writes it to a file, over an older one.
Torques are in newton metres; --unit sets another unit before them.`,
		example: `  bayhold job sheet 15
  bayhold job sheet 15 --unit lbf-ft
  bayhold job sheet 15 --html --to job-15.html`,
		args: cobra.ExactArgs(1),
		run:  func(ctx context.Context, args []string) error { return a.jobSheet(ctx, f, args[0]) },
	})
	cmd.Flags().BoolVar(&f.html, "html", false, "as an HTML page fit for A4")
	cmd.Flags().StringVar(&f.unit, "unit", "", "`unit` of torques beside newton metres: lbf·ft, lbf·in or kgf·m; lbf-ft will do")
	cmd.Flags().StringVar(&f.to, "to", "", "write it to this `file`")
	return cmd
}

func (a *app) jobSheet(ctx context.Context, f sheetFlags, job string) error {
	p, name, err := a.jobName(ctx, job)
	if err != nil {
		return err
	}
	req := &bayholdv1.GetJobSheetRequest{Name: name, Format: bayholdv1.SheetFormat_SHEET_FORMAT_TEXT, TorqueUnit: f.unit}
	if f.html {
		req.Format = bayholdv1.SheetFormat_SHEET_FORMAT_HTML
	}
	resp, err := p.Jobs.GetJobSheet(ctx, req)
	if err != nil {
		return err
	}
	return a.deliver(resp, f.to, "The sheet of job "+id(name))
}

// deliver answers with a page: on the screen, or in a file if one is named, of
// which it then says that it holds what.
func (a *app) deliver(page interface {
	proto.Message
	GetContent() string
}, file, what string) error {
	if file != "" {
		if err := writeFile(file, page.GetContent()); err != nil {
			return err
		}
		if !a.structured() {
			return a.print(func(w io.Writer) { fmt.Fprintf(w, "%s is in %s.\n", what, file) })
		}
	}
	return a.answer(page, func(w io.Writer) { _, _ = io.WriteString(w, page.GetContent()) })
}

// writeFile writes text to a file that others may read.
func writeFile(path, text string) error {
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		return fileProblem("write", path, err)
	}
	return nil
}
