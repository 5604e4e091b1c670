package board

import (
	"embed"
	"html/template"
)

//go:embed sheet.html sheet.css record.html
var layouts embed.FS

// page lays the sheet out for A4. What people typed is escaped by the template
// where it stands: in text, in attributes, and in the style of the running foot.
var page = template.Must(template.New("sheet.html").
	Funcs(template.FuncMap{"ordinal": func(i int) int { return i + 1 }}).
	ParseFS(layouts, "sheet.html", "sheet.css"))

// recordPage lays a record out, in the same style.
var recordPage = template.Must(template.New("record.html").ParseFS(layouts, "record.html", "sheet.css"))
