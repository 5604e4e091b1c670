// Package board lays out what a workshop puts on paper and on its wall: the job
// sheet, as text of 80 columns and as a page fit for A4, and the auditor's page.
//
// A layout says nothing of its own: what a sheet says stands in one place
// (newSheet), so that text and page cannot differ in a figure or a warning.
package board

import (
	"io"

	"bayhold/internal/workshop"
)

// Sheets lays out job sheets and records.
type Sheets struct{}

// Text writes a sheet for a monospaced page of 80 columns, in the site's time.
func (Sheets) Text(w io.Writer, s workshop.Sheet) error {
	_, err := io.WriteString(w, newSheet(s).text())
	return err
}

// HTML writes a sheet as a page that stands by itself, without scripts and
// without requests, meant to be printed on A4.
func (Sheets) HTML(w io.Writer, s workshop.Sheet) error {
	return page.Execute(w, newSheet(s))
}

// RecordText writes the record of a job for a monospaced page of 80 columns.
func (Sheets) RecordText(w io.Writer, r workshop.JobRecord) error {
	_, err := io.WriteString(w, newRecord(r).text())
	return err
}

// RecordHTML writes the record of a job as a page that stands by itself, meant
// to be printed and kept.
func (Sheets) RecordHTML(w io.Writer, r workshop.JobRecord) error {
	return recordPage.Execute(w, newRecord(r))
}
