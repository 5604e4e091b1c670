package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	pgparser "github.com/wasilibs/go-pgquery/parser"
)

// overSites are the functions whose queries may reach over sites, and why.
var overSites = map[string]string{
	"Sites":         "lists the sites themselves",
	"SchemaVersion": "the schema is every site's",
	"Revisions":     "asks for the counters of all sites that somebody watches, by their keys",
}

// asks are what takes a query, and as which argument.
var asks = map[string]int{"Query": 1, "QueryRow": 1, "Exec": 1, "Queue": 0, "asking": 0}

// carriers only hand on the queries of others.
var carriers = []string{"wire.go"}

// query is a query as it stands in the sources.
type query struct{ function, where, text string }

// sources are the parsed files of a package.
type sources struct {
	fset      *token.FileSet
	constants map[string]ast.Expr
	functions []*ast.FuncDecl
}

func readSources(t *testing.T, dir string) sources {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	out := sources{fset: token.NewFileSet(), constants: map[string]ast.Expr{}}
	for _, file := range files {
		if strings.HasSuffix(file, "_test.go") || slices.Contains(carriers, filepath.Base(file)) {
			continue
		}
		f, err := parser.ParseFile(out.fset, file, nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range f.Decls {
			switch d := d.(type) {
			case *ast.FuncDecl:
				out.functions = append(out.functions, d)
			case *ast.GenDecl:
				for _, spec := range d.Specs {
					if v, ok := spec.(*ast.ValueSpec); ok && d.Tok == token.CONST {
						for i, name := range v.Names {
							if i < len(v.Values) {
								out.constants[name.Name] = v.Values[i]
							}
						}
					}
				}
			}
		}
	}
	return out
}

// queries gives every query, in each of the forms that it can take. One whose
// text cannot be told from the sources is a finding.
func (s sources) queries(t *testing.T) []query {
	t.Helper()
	var out []query
	for _, function := range s.functions {
		ast.Inspect(function, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			at, ok := asks[callee(call)]
			if !ok || len(call.Args) <= at { // of a batch's results: they carry no query
				return true
			}
			where := s.fset.Position(call.Pos()).String()
			texts, err := s.texts(call.Args[at], function)
			if err != nil {
				t.Errorf("%s: the query of %s cannot be read: %v; make it of constants", where, function.Name.Name, err)
			}
			for _, text := range texts {
				out = append(out, query{function: function.Name.Name, where: where, text: text})
			}
			return true
		})
	}
	return out
}

// texts gives every text that an expression within a function can have.
func (s sources) texts(e ast.Expr, in *ast.FuncDecl) ([]string, error) {
	switch e := e.(type) {
	case *ast.BasicLit:
		text, err := strconv.Unquote(e.Value)
		return []string{text}, err
	case *ast.ParenExpr:
		return s.texts(e.X, in)
	case *ast.SelectorExpr: // a constant of another package
		return []string{e.Sel.Name}, nil
	case *ast.BinaryExpr:
		left, err := s.texts(e.X, in)
		if err != nil {
			return nil, err
		}
		right, err := s.texts(e.Y, in)
		var out []string
		for _, l := range left {
			for _, r := range right {
				out = append(out, l+r)
			}
		}
		return out, err
	case *ast.CallExpr:
		return s.called(e, in)
	case *ast.Ident:
		return s.named(e.Name, in)
	}
	return nil, fmt.Errorf("it is made by a %T", e)
}

// called gives what a call can answer: fmt.Sprintf, with 1 for whatever it
// formats, or a function of the package that does nothing but return a text.
func (s sources) called(call *ast.CallExpr, in *ast.FuncDecl) ([]string, error) {
	if sel, ok := call.Fun.(*ast.SelectorExpr); ok && sel.Sel.Name == "Sprintf" {
		texts, err := s.texts(call.Args[0], in)
		for i, text := range texts {
			texts[i] = strings.NewReplacer("%d", "1", "%s", "1", "%q", "1").Replace(text)
		}
		return texts, err
	}
	if name, ok := call.Fun.(*ast.Ident); ok {
		for _, f := range s.functions {
			if f.Name.Name != name.Name || len(f.Body.List) != 1 {
				continue
			}
			if back, ok := f.Body.List[0].(*ast.ReturnStmt); ok && len(back.Results) == 1 {
				return s.texts(back.Results[0], f)
			}
		}
	}
	return nil, errors.New("a call makes it that does more than return a text")
}

// named gives what a name can stand for: a constant, what the function assigns
// to it, or what the package's calls of the function pass for it.
func (s sources) named(name string, in *ast.FuncDecl) ([]string, error) {
	if value, ok := s.constants[name]; ok {
		return s.texts(value, in)
	}
	var out []string
	var failed error
	add := func(e ast.Expr, f *ast.FuncDecl) {
		texts, err := s.texts(e, f)
		out, failed = append(out, texts...), errors.Join(failed, err)
	}
	ast.Inspect(in, func(n ast.Node) bool {
		if set, ok := n.(*ast.AssignStmt); ok && len(set.Lhs) == len(set.Rhs) {
			for i, left := range set.Lhs {
				if id, ok := left.(*ast.Ident); ok && id.Name == name {
					add(set.Rhs[i], in)
				}
			}
		}
		return true
	})
	position := -1
	for _, field := range in.Type.Params.List {
		for _, p := range field.Names {
			position++
			if p.Name != name {
				continue
			}
			for _, f := range s.functions {
				ast.Inspect(f, func(n ast.Node) bool {
					call, ok := n.(*ast.CallExpr)
					if !ok || len(call.Args) <= position {
						return true
					}
					if callee(call) == in.Name.Name {
						add(call.Args[position], f)
					}
					return true
				})
			}
		}
	}
	if len(out) == 0 && failed == nil {
		failed = fmt.Errorf("%s is no constant", name)
	}
	return out, failed
}

func callee(call *ast.CallExpr) string {
	switch f := call.Fun.(type) {
	case *ast.Ident:
		return f.Name
	case *ast.SelectorExpr:
		return f.Sel.Name
	}
	return ""
}

// node is a piece of a parsed statement, as PostgreSQL's own parser gives it.
type node = map[string]any

// scope is the tables that one level of a query names, and which of them are
// tied to one site.
type scope struct {
	tables map[string]string // by the name that the query calls them by
	tied   map[string]bool
	equal  [][2]string // names whose site_id are equal
}

// audit finds tables of a statement that are not tied to one site.
type audit struct{ loose []string }

// unsited names the tables of a query that it does not tie to one site.
func unsited(text string) ([]string, error) {
	raw, err := pgparser.ParseToJSON(text)
	if err != nil {
		return nil, err
	}
	var tree node
	if err := json.Unmarshal([]byte(raw), &tree); err != nil {
		return nil, err
	}
	var a audit
	a.walk(tree, nil, nil)
	return a.loose, nil
}

// walk goes through a tree; every statement in it is judged on its own, with
// what is tied around it.
func (a *audit) walk(v any, outer []scope, ctes []string) {
	switch v := v.(type) {
	case []any:
		for _, e := range v {
			a.walk(e, outer, ctes)
		}
	case node:
		for key, value := range v {
			inner, ok := value.(node)
			if !ok || !slices.Contains([]string{"SelectStmt", "InsertStmt", "UpdateStmt", "DeleteStmt", "larg", "rarg"}, key) {
				a.walk(value, outer, ctes)
				continue
			}
			if key == "larg" || key == "rarg" {
				if _, set := inner["op"]; !set { // a side of a join, not of a UNION
					a.walk(value, outer, ctes)
					continue
				}
			}
			a.statement(key, inner, outer, ctes)
		}
	}
}

func (a *audit) statement(kind string, s node, outer []scope, ctes []string) {
	ctes = append(slices.Clone(ctes), cteNames(s)...)
	sc := scope{tables: map[string]string{}, tied: map[string]bool{}}
	if kind == "InsertStmt" {
		relation, _ := s["relation"].(node)
		columns, _ := json.Marshal(s["cols"])
		if !strings.Contains(string(columns), `"name":"site_id"`) {
			a.loose = append(a.loose, str(relation, "relname"))
		}
	} else {
		sc.from(s["relation"], ctes)
		sc.from(s["fromClause"], ctes)
		sc.from(s["usingClause"], ctes)
		sc.where(s["whereClause"])
		for around := len(outer) - 1; around >= 0; around-- {
			for name := range outer[around].tied {
				if _, hidden := sc.tables[name]; !hidden {
					sc.tied[name] = true
				}
			}
		}
		sc.spread()
		for name, table := range sc.tables {
			if !sc.tied[name] {
				a.loose = append(a.loose, table+" "+name)
			}
		}
	}
	outer = append(slices.Clone(outer), sc)
	a.walk(s, outer, ctes)
}

func cteNames(s node) []string {
	with, _ := s["withClause"].(node)
	list, _ := with["ctes"].([]any)
	var out []string
	for _, c := range list {
		cte, _ := c.(node)["CommonTableExpr"].(node)
		out = append(out, str(cte, "ctename"))
	}
	return out
}

// from notes the tables of a FROM clause, and what its joins tie.
func (sc *scope) from(v any, ctes []string) {
	switch v := v.(type) {
	case []any:
		for _, e := range v {
			sc.from(e, ctes)
		}
	case node:
		if table, ok := v["relname"].(string); ok {
			if str(v, "schemaname") != "" || slices.Contains(ctes, table) || strings.HasPrefix(table, "pg_") {
				return // a CTE was judged where it stands
			}
			name := table
			if alias, ok := v["alias"].(node); ok {
				name = str(alias, "aliasname")
			}
			sc.tables[name] = table
			return
		}
		if inner, ok := v["RangeVar"]; ok {
			sc.from(inner, ctes)
		}
		if join, ok := v["JoinExpr"].(node); ok {
			before := len(sc.tables)
			sc.from(join["larg"], ctes)
			sc.from(join["rarg"], ctes)
			sc.where(join["quals"])
			using, _ := json.Marshal(join["usingClause"])
			if strings.Contains(string(using), `"sval":"site_id"`) && len(sc.tables) > before {
				names := sorted(sc.tables)
				for _, name := range names[1:] {
					sc.equal = append(sc.equal, [2]string{names[0], name})
				}
			}
		}
	}
}

// where notes the equations on site_id that must all hold.
func (sc *scope) where(v any) {
	n, ok := v.(node)
	if !ok {
		return
	}
	if and, ok := n["BoolExpr"].(node); ok && str(and, "boolop") == "AND_EXPR" {
		args, _ := and["args"].([]any)
		for _, arg := range args {
			sc.where(arg)
		}
	}
	e, ok := n["A_Expr"].(node)
	if !ok || str(e, "kind") != "AEXPR_OP" {
		return
	}
	operator, _ := json.Marshal(e["name"])
	if !strings.Contains(string(operator), `"sval":"="`) {
		return
	}
	left, leftTable := sc.siteColumn(e["lexpr"])
	right, rightTable := sc.siteColumn(e["rexpr"])
	switch {
	case left && right:
		sc.equal = append(sc.equal, [2]string{leftTable, rightTable})
	case left && parameter(e["rexpr"]):
		sc.tied[leftTable] = true
	case right && parameter(e["lexpr"]):
		sc.tied[rightTable] = true
	}
}

// siteColumn tells whether an expression is a table's site_id, and which.
func (sc *scope) siteColumn(v any) (bool, string) {
	n, _ := v.(node)
	ref, ok := n["ColumnRef"].(node)
	if !ok {
		return false, ""
	}
	fields, _ := ref["fields"].([]any)
	var names []string
	for _, f := range fields {
		s, _ := f.(node)["String"].(node)
		names = append(names, str(s, "sval"))
	}
	if len(names) == 0 || names[len(names)-1] != "site_id" {
		return false, ""
	}
	if len(names) > 1 {
		return true, names[len(names)-2]
	}
	if all := sorted(sc.tables); len(all) == 1 {
		return true, all[0]
	}
	return false, ""
}

// parameter tells whether an expression is a parameter, cast or not.
func parameter(v any) bool {
	n, _ := v.(node)
	if c, ok := n["TypeCast"].(node); ok {
		return parameter(c["arg"])
	}
	_, ok := n["ParamRef"]
	return ok
}

// spread ties what is equal to what is tied.
func (sc *scope) spread() {
	for again := true; again; {
		again = false
		for _, pair := range sc.equal {
			if sc.tied[pair[0]] != sc.tied[pair[1]] {
				sc.tied[pair[0]], sc.tied[pair[1]], again = true, true, true
			}
		}
	}
}

func sorted(tables map[string]string) []string {
	var out []string
	for name := range tables {
		out = append(out, name)
	}
	slices.Sort(out)
	return out
}

func str(n node, key string) string {
	s, _ := n[key].(string)
	return s
}

// TestEveryQueryKeepsToOneSite reads each query with PostgreSQL's own parser:
// every table in it must be tied to one site, so that on a database sharded by
// site it goes to one shard.
func TestEveryQueryKeepsToOneSite(t *testing.T) {
	t.Parallel()
	queries := slices.Concat(readSources(t, ".").queries(t), readSources(t, "../feed").queries(t))
	if len(queries) < 90 {
		t.Errorf("only %d queries were found", len(queries))
	}
	for _, q := range queries {
		loose, err := unsited(q.text)
		if err != nil {
			t.Errorf("%s: %v in %s", q.where, err, q.text)
		}
		if len(loose) > 0 && overSites[q.function] == "" {
			t.Errorf("%s: %s reaches over sites by %v", q.where, q.function, loose)
		}
	}
}

// TestUnsited holds that the test above finds what it is for.
func TestUnsited(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]int{
		"SELECT 1":                                  0,
		"SELECT a FROM job WHERE site_id = $1":      0,
		"SELECT a FROM job":                         1,
		"SELECT a FROM job WHERE site_id = $1 OR b": 1,
		"SELECT a FROM job WHERE site_id > $1":      1,
		"SELECT a FROM job j JOIN booking b ON b.site_id = j.site_id WHERE j.site_id = $1":                        0,
		"SELECT a FROM job j JOIN booking b ON b.job_id = j.job_id WHERE j.site_id = $1":                          1,
		"SELECT a FROM job j JOIN booking b USING (site_id, job_id) WHERE j.site_id = $1":                         0,
		"SELECT a FROM job WHERE site_id = $1 AND b IN (SELECT b FROM booking)":                                   1,
		"SELECT a FROM job j WHERE j.site_id = $1 AND EXISTS (SELECT FROM booking b WHERE b.site_id = j.site_id)": 0,
		"SELECT a FROM job WHERE site_id = $1 UNION SELECT a FROM booking":                                        1,
		"WITH x AS (SELECT a FROM job) SELECT a FROM x":                                                           1,
		"WITH x AS (SELECT a FROM job WHERE site_id = $1) SELECT a FROM x":                                        0,
		"UPDATE job SET a = $2 WHERE site_id = $1":                                                                0,
		"UPDATE job SET a = $2 WHERE job_id = $1":                                                                 1,
		"DELETE FROM job WHERE job_id = $1":                                                                       1,
		"INSERT INTO job (site_id, a) VALUES ($1, $2)":                                                            0,
		"INSERT INTO job (a) VALUES ($1)":                                                                         1,
		"INSERT INTO job (site_id, a) SELECT $1, a FROM booking":                                                  1,
	} {
		loose, err := unsited(text)
		if err != nil || len(loose) != want {
			t.Errorf("%s: loose are %v, %v; want %d", text, loose, err, want)
		}
	}
}
