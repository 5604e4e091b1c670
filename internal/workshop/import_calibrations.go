package workshop

import (
	"context"
	"slices"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/sitefile"
	"bayhold/internal/store"
)

// putCalibrations writes until when tools are in calibration, and certificates.
// All that is wrong is told at once, each at its place in the files.
func (i *importer) putCalibrations(ctx context.Context, files *sitefile.Workshop) error {
	if len(files.Calibrations) == 0 {
		return nil
	}
	c := i.count("calibration")
	tools, err := i.tx.Tools(ctx, Page{})
	if err != nil {
		return err
	}
	types, err := typesByID(ctx, i.tx.Reader)
	if err != nil {
		return err
	}
	rules, err := readRules(ctx, i.tx.Reader)
	if err != nil {
		return err
	}
	byTag := byID(tools, toolID)
	var fs fault.Fields
	certified := make(map[string]bool)
	for _, f := range files.Calibrations {
		tool := byTag[f.Tool]
		switch kind := types[tool.Type]; {
		case !kind.Calibrated:
			fs.Add(f.Place(""), "%s is of type %s, which needs no calibration: say that it does (calibrated: true), or leave the row out", f.Tool, kind.ID)
		case f.Certificate == nil:
			if err := i.putUntil(ctx, &fs, c, f, tool); err != nil {
				return err
			}
		default:
			fresh, err := i.putCertificate(ctx, &fs, c, f, tool, kind, rules.policy())
			if err != nil {
				return err
			}
			certified[f.Tool] = certified[f.Tool] || fresh
		}
	}
	if err := fs.Err("BAD_FILE", "the workshop files cannot be taken in: nothing was changed"); err != nil {
		return err
	}
	var fresh []site.Tool
	for tag := range certified {
		if certified[tag] {
			fresh = append(fresh, byTag[tag])
		}
	}
	slices.SortFunc(fresh, func(a, b site.Tool) int { return slices.Compare([]byte(a.Tag), []byte(b.Tag)) })
	_, err = recalibrateAll(ctx, i.tx, fresh, types)
	return err
}

// putUntil sets until when a tool that has no certificate is in calibration.
func (i *importer) putUntil(ctx context.Context, fs *fault.Fields, c *ImportCount, f sitefile.Calibration, tool site.Tool) error {
	if len(i.proven[f.Tool]) > 0 {
		fs.Add(f.Place(""), "until when %s is in calibration follows from its certificates: leave the row out, or take in the new certificate with its readings", f.Tool)
		return nil
	}
	was := tool.CalibratedUntil
	tool.CalibratedUntil = f.Until
	switch {
	case was.Equal(f.Until):
		c.Unchanged++
		return nil
	case was.IsZero():
		c.Added++
	default:
		c.Changed++
	}
	had := tool
	had.CalibratedUntil = was
	i.note(ImportChange{Kind: c.Kind, ID: f.Tool, Added: was.IsZero(),
		Fields: sitefile.Differ(sitefile.ToolWords(had, i.zone), sitefile.ToolWords(tool, i.zone))})
	i.tx.Log(i.changed("tool", "tools/"+f.Tool, had, tool))
	return i.tx.PutTool(ctx, tool)
}

// putCertificate records a certificate of a tool, and tells whether it is new.
func (i *importer) putCertificate(ctx context.Context, fs *fault.Fields, c *ImportCount, f sitefile.Calibration,
	tool site.Tool, kind site.ToolType, policy calibration.Policy,
) (bool, error) {
	for _, had := range i.proven[f.Tool] {
		if had.Certificate.Number != f.Certificate.Number {
			continue
		}
		if same(had.Certificate, *f.Certificate) {
			c.Unchanged++
		} else {
			fs.Add(f.Place("number"), "%s has a certificate %s with other content, and what was recorded never changes: give this one its own number", f.Tool, had.Certificate.Number)
		}
		return false, nil
	}
	_, err := f.Certificate.Validate(measured(tool, kind), policy, hours.DateOf(i.tx.Now(), i.zone))
	if bad := fault.Fault(err); bad != nil && bad.Kind == fault.Invalid {
		for _, field := range bad.Fields {
			fs.Add(f.Place(field.Path), "%s: %s", field.Path, field.Message)
		}
		return false, nil
	}
	if err != nil {
		return false, err
	}
	assessment, err := calibration.Assess(*f.Certificate, measured(tool, kind), policy)
	if err != nil {
		fs.Add(f.Place(""), "%s", errorText(err))
		return false, nil
	}
	if len(*fs) > 0 {
		return false, nil // nothing will be written
	}
	if _, err := i.tx.AddCertificate(ctx, f.Tool, *f.Certificate, assessment); err != nil {
		return false, err
	}
	i.tx.Log(store.Event{Kind: "tool.calibrated", Subject: "tools/" + f.Tool, Details: map[string]any{
		"certificate": f.Certificate.Number, "date": f.Certificate.Date, "verdict": assessment.Overall(),
	}})
	c.Added++
	i.note(ImportChange{Kind: c.Kind, ID: f.Tool, Added: true, Fields: []sitefile.Difference{
		{Key: "certificate", After: f.Certificate.Number + " of " + f.Certificate.Date.String() + ", " + f.Certificate.Laboratory},
		{Key: "verdict", After: string(assessment.Overall())},
	}})
	return true, nil
}
