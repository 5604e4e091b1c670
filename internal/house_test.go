package internal_test

import (
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// topLevel is all that may stand beside the dotfiles.
var topLevel = []string{
	"proto", "server", "client", "internal", "deploy", "migrations", "testdata",
	"go.mod", "go.sum", "README.md", "DEVELOPERS.md",
}

func TestTopLevel(t *testing.T) {
	t.Parallel()
	entries, err := os.ReadDir("..")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") && !slices.Contains(topLevel, e.Name()) {
			t.Errorf("%s does not belong at the top", e.Name())
		}
	}
}

const (
	codeLines    = 600
	plannerLines = 800
	testLines    = 1000
	// functionLines is what nine functions of ten keep within.
	functionLines = 50
)

// source is one file of ours that people write.
type source struct {
	path string // from the top
	text []byte
}

func sources(t *testing.T, ext ...string) []source {
	t.Helper()
	var all []source
	err := filepath.WalkDir("..", func(path string, e fs.DirEntry, err error) error {
		name := e.Name()
		switch {
		case err != nil:
			return err
		case e.IsDir() && path != ".." && (strings.HasPrefix(name, ".") && name != ".ci" || name == "testdata" || name == "node_modules"):
			return filepath.SkipDir
		case e.IsDir() || !slices.Contains(ext, filepath.Ext(name)):
			return nil
		}
		text, err := os.ReadFile(path)
		if err == nil && !made(text) {
			all = append(all, source{filepath.ToSlash(strings.TrimPrefix(path, ".."+string(filepath.Separator))), text})
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) == 0 {
		t.Fatal("no source found")
	}
	return all
}

// generated is the mark of https://go.dev/s/generatedcode, and our own for SQL.
var generated = regexp.MustCompile(`(?m)^(// Code generated .* DO NOT EDIT\.$|-- Made by )`)

// made tells a file that a program has written.
func made(text []byte) bool { return generated.Match(text[:min(len(text), 4096)]) }

func TestFileSizes(t *testing.T) {
	t.Parallel()
	for _, s := range sources(t, ".go", ".proto", ".sql", ".sh", "") {
		limit := codeLines
		switch {
		case strings.HasSuffix(s.path, "_test.go"):
			limit = testLines
		case strings.HasPrefix(s.path, "internal/plan/"):
			limit = plannerLines
		}
		if n := bytes.Count(s.text, []byte("\n")); n > limit {
			t.Errorf("%s has %d lines, more than %d: part it", s.path, n, limit)
		}
	}
}

func TestDocumentationAndFunctionSizes(t *testing.T) {
	t.Parallel()
	var sizes []int
	documented := map[string]bool{}
	files := token.NewFileSet()
	for _, s := range sources(t, ".go") {
		if strings.HasSuffix(s.path, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(files, s.path, s.text, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		dir := filepath.Dir(s.path)
		documented[dir] = documented[dir] || f.Doc != nil
		for _, d := range f.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok {
				sizes = append(sizes, files.Position(fn.End()).Line-files.Position(fn.Pos()).Line+1)
			}
			for _, name := range undocumented(d) {
				t.Errorf("%s: %s is exported and not documented", files.Position(d.Pos()), name)
			}
		}
	}
	for dir, ok := range documented {
		if !ok {
			t.Errorf("%s: the package has no documentation", dir)
		}
	}
	slices.Sort(sizes)
	if p90 := sizes[len(sizes)*9/10]; p90 > functionLines {
		t.Errorf("one function in ten is longer than %d lines, want %d at most", p90, functionLines)
	}
}

// undocumented lists the exported names of a declaration that lack a comment. A
// comment on a group stands for all of it.
func undocumented(d ast.Decl) []string {
	switch d := d.(type) {
	case *ast.FuncDecl:
		if d.Name.IsExported() && d.Doc == nil && (d.Recv == nil || receiverExported(d.Recv)) {
			return []string{d.Name.Name}
		}
	case *ast.GenDecl:
		var names []string
		for _, spec := range d.Specs {
			switch s := spec.(type) {
			case *ast.TypeSpec:
				if s.Name.IsExported() && d.Doc == nil && s.Doc == nil && s.Comment == nil {
					names = append(names, s.Name.Name)
				}
			case *ast.ValueSpec:
				for _, n := range s.Names {
					if n.IsExported() && d.Doc == nil && s.Doc == nil && s.Comment == nil {
						names = append(names, n.Name)
					}
				}
			}
		}
		return names
	}
	return nil
}

func receiverExported(recv *ast.FieldList) bool {
	typ := recv.List[0].Type
	for {
		switch x := typ.(type) {
		case *ast.StarExpr:
			typ = x.X
		case *ast.IndexExpr:
			typ = x.X
		case *ast.IndexListExpr:
			typ = x.X
		case *ast.Ident:
			return x.IsExported()
		default:
			return false
		}
	}
}

// TestPurePackagesReadNoClock holds what imports cannot: the package time is
// there for its types, not for the present moment.
func TestPurePackagesReadNoClock(t *testing.T) {
	t.Parallel()
	files := token.NewFileSet()
	for _, s := range sources(t, ".go") {
		pkg, ours := strings.CutPrefix(filepath.ToSlash(filepath.Dir(s.path)), "internal/")
		if !ours || !slices.Contains(pure, pkg) || strings.HasSuffix(s.path, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(files, s.path, s.text, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(f, func(n ast.Node) bool {
			sel, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			x, ok := sel.X.(*ast.Ident)
			if ok && x.Name == "time" && slices.Contains([]string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"}, sel.Sel.Name) {
				t.Errorf("%s: %s reads the clock", files.Position(sel.Pos()), pkg)
			}
			return true
		})
	}
}
