package cli

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// maxImport is what the server takes in one import, in bytes.
const maxImport = 8 << 20

// importFlags say how files are taken in.
type importFlags struct {
	dryRun, toolsOnly bool
	anchor            string
	mappings          []string
}

func (a *app) importCommand() *cobra.Command {
	var f importFlags
	var template, rows string
	cmd := a.command(verb{
		use: "import FILE...", short: "Take in workshop files and spreadsheets, all or none",
		long: `Take in workshop files (YAML) and spreadsheets saved as CSV: all of them, or
none if anything is wrong with one; every fault is told at once, of a
spreadsheet by its cell, such as tools.csv:C5. A directory stands for the .yaml
files in it, "-" for standard input. Importing the same files again changes
nothing. --site is needed for files that carry no site of their own. --dry-run
shows what would change.

Tools, tool types, calibrations, technicians' shifts and standing bookings may
come as CSV, with the columns that the workshop's own sheet has: a mapping says
which column is which, how dates, times and decimals are written and what words
mean. --mapping-template writes one to begin with.`,
		example: `  bayhold import testdata/demo/tools.yaml
  bayhold import --mapping-template deploy/guide/sheets/roster.csv
  bayhold import --dry-run deploy/guide/sheets/tools.csv --mapping deploy/guide/sheets/tools.map.yaml
  bayhold import deploy/guide/sheets/roster-mended.csv deploy/guide/sheets/jobs.csv --mapping roster-mended.csv=deploy/guide/sheets/roster.map.yaml --mapping jobs.csv=deploy/guide/sheets/jobs.map.yaml
  bayhold import testdata/demo/bookings.yaml --anchor 2029-05-07`,
		args: func(cmd *cobra.Command, args []string) error {
			if template != "" {
				return cobra.NoArgs(cmd, args)
			}
			return cobra.MinimumNArgs(1)(cmd, args)
		},
		run: func(ctx context.Context, args []string) error {
			if template != "" {
				return a.suggestMapping(ctx, template, rows)
			}
			return a.importFiles(ctx, args, f)
		},
	})
	cmd.Flags().BoolVar(&f.dryRun, "dry-run", false, "read and judge the files, show what would change, write nothing")
	cmd.Flags().StringVar(&f.anchor, "anchor", "", "`date` that relative times in the files count from (default today)")
	cmd.Flags().StringVar(&template, "mapping-template", "", "write a mapping for this CSV `file` to begin with")
	cmd.Flags().StringVar(&rows, "rows", "", "what the rows are, for --mapping-template: tools, tool_types, calibrations, shifts or bookings")
	mappingFlag(cmd, &f)
	a.requestIDFlag(cmd)
	return cmd
}

// mappingFlag adds the flag that says how spreadsheets are read.
func mappingFlag(cmd *cobra.Command, f *importFlags) {
	cmd.Flags().StringArrayVar(&f.mappings, "mapping", nil, "`file` that says how the CSV files are read; CSV=FILE for one of several")
}

// suggestMapping writes a mapping to begin with.
func (a *app) suggestMapping(ctx context.Context, path, rows string) error {
	body, err := a.readFile(path)
	if err != nil {
		return err
	}
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	resp, err := p.Sites.SuggestMapping(ctx, &bayholdv1.SuggestMappingRequest{
		Parent: p.site.GetName(), File: &bayholdv1.WorkshopFile{Name: path, Content: body}, Rows: rows,
	})
	if err != nil {
		return err
	}
	if a.structured() {
		return a.answer(resp, nil)
	}
	_, err = a.streams.Out.Write(resp.GetMapping())
	return err
}

// attachMappings gives CSV files the mappings that were named.
func (a *app) attachMappings(files []*bayholdv1.WorkshopFile, mappings []string) error {
	for _, m := range mappings {
		table, path, named := strings.Cut(m, "=")
		if !named {
			table, path = "", m
		}
		body, err := a.readFile(path)
		if err != nil {
			return err
		}
		found := false
		for _, f := range files {
			csv := strings.EqualFold(filepath.Ext(f.GetName()), ".csv")
			if csv && (!named && len(f.GetMapping()) == 0 || f.GetName() == table || filepath.Base(f.GetName()) == table) {
				f.Mapping, f.MappingName, found = body, path, true
			}
		}
		if !found {
			return usage("--mapping %s is for no CSV file that is given here", m)
		}
	}
	return nil
}

func (a *app) importFiles(ctx context.Context, args []string, f importFlags) error {
	anchorTime, err := readAnchor(f.anchor)
	if err != nil {
		return err
	}
	files, err := a.readFiles(args)
	if err != nil {
		return err
	}
	if err := a.attachMappings(files, f.mappings); err != nil {
		return err
	}
	parent := ""
	if f.toolsOnly { // they carry no site of their own
		p, err := a.at(ctx)
		if err != nil {
			return err
		}
		parent = p.site.GetName()
	} else if a.set.site != "" {
		if parent, err = siteName(a.set.site); err != nil {
			return err
		}
	}
	conn, err := a.dial()
	if err != nil {
		return err
	}
	resp, err := act(ctx, a, bayholdv1.SiteService_ImportWorkshop_FullMethodName, &bayholdv1.ImportWorkshopRequest{},
		func(requestID string) (*bayholdv1.ImportWorkshopRequest, error) {
			return &bayholdv1.ImportWorkshopRequest{
				Parent: parent, Files: files, RequestId: requestID, ValidateOnly: f.dryRun,
				AnchorTime: anchorTime, ToolsOnly: f.toolsOnly,
			}, nil
		}, conn.Sites.ImportWorkshop)
	if err != nil {
		if len(asProblem(err).held) > 0 && a.here == nil {
			_, _ = a.at(ctx) // so that what is held is told in the site's own time, if that can be
		}
		return err
	}
	return a.answer(resp, func(w io.Writer) {
		if f.toolsOnly {
			a.printToolImport(w, a.anyClock(), resp, f.dryRun)
			return
		}
		a.printImport(w, resp, f.dryRun)
	})
}

// readAnchor reads a date. Its noon in UTC falls on that date in nearly every
// zone: the site that will know its own may be in the files.
func readAnchor(text string) (*timestamppb.Timestamp, error) {
	if text == "" {
		return nil, nil
	}
	day, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return nil, usage("--anchor is %q; write a date like 2026-11-23", text)
	}
	return stamp(day.Add(12 * time.Hour)), nil
}

// readFiles reads the files, and those in the directories, that are named.
func (a *app) readFiles(args []string) ([]*bayholdv1.WorkshopFile, error) {
	var out []*bayholdv1.WorkshopFile
	size := 0
	for _, arg := range args {
		paths, err := expand(arg)
		if err != nil {
			return nil, err
		}
		for _, path := range paths {
			body, err := a.readFile(path)
			if err != nil {
				return nil, err
			}
			if size += len(body); size > maxImport {
				return nil, usage("the files are larger than 8 MiB together; give them in parts")
			}
			out = append(out, &bayholdv1.WorkshopFile{Name: path, Content: body})
		}
	}
	return out, nil
}

// expand gives the files that an argument stands for.
func expand(arg string) ([]string, error) {
	info, err := os.Stat(arg)
	if arg == "-" || err != nil || !info.IsDir() {
		return []string{arg}, nil // reading it tells what is wrong, if anything is
	}
	entries, err := os.ReadDir(arg)
	if err != nil {
		return nil, usage("cannot read %s: %s", arg, err)
	}
	var paths []string
	for _, e := range entries { // in the order of their names
		if ext := filepath.Ext(e.Name()); !e.IsDir() && (ext == ".yaml" || ext == ".yml") {
			paths = append(paths, filepath.Join(arg, e.Name()))
		}
	}
	if len(paths) == 0 {
		return nil, usage("there are no .yaml files in %s", arg)
	}
	return paths, nil
}

// readFile reads a file, or standard input for "-".
func (a *app) readFile(path string) ([]byte, error) {
	var body []byte
	var err error
	if path == "-" {
		body, err = io.ReadAll(io.LimitReader(a.streams.In, maxImport+1))
	} else {
		body, err = os.ReadFile(path)
	}
	if err != nil {
		return nil, fileProblem("read", path, err)
	}
	return body, nil
}

// fileProblem says what could not be done with a file that was named.
func fileProblem(verb, path string, err error) error {
	var pathErr *fs.PathError
	if errors.As(err, &pathErr) {
		return usage("cannot %s %s: %s", verb, path, pathErr.Err)
	}
	return err
}
