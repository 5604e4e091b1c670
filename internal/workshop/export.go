package workshop

import (
	"context"

	"bayhold/internal/sitefile"
	"bayhold/internal/store"
)

// ExportForm says how an inventory is written.
type ExportForm string

// The forms of an inventory.
const (
	ExportYAML      ExportForm = "YAML"           // tool types and tools
	ExportTools     ExportForm = "CSV_TOOLS"      // a line a tool
	ExportToolTypes ExportForm = "CSV_TOOL_TYPES" // a line a tool type
)

// ExportTools writes the inventory as a file that Import takes in to the same
// effect.
func (w *Workshop) ExportTools(ctx context.Context, slug string, form ExportForm) ([]byte, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]byte, error) {
		types, err := r.ToolTypes(ctx, Page{})
		if err != nil {
			return nil, err
		}
		tools, err := r.Tools(ctx, Page{})
		if err != nil {
			return nil, err
		}
		switch form {
		case ExportTools:
			return sitefile.ToolsCSV(tools)
		case ExportToolTypes:
			return sitefile.ToolTypesCSV(types)
		default:
			return sitefile.ToolsYAML(types, tools)
		}
	})
}
