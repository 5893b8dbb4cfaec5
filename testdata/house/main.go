// House measures the shape of the code: files, functions, interfaces, exports
// and line lengths, package by package, and fails when a limit is exceeded.
// It is a module of its own, so that its libraries stay out of the product's.
//
//	cd testdata/house && go run . [-v] [-limits]
package main

import (
	"flag"
	"fmt"
	"go/ast"
	"go/token"
	"go/types"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"

	"golang.org/x/tools/go/packages"
)

// The limits of the house.
const (
	mostFileLines     = 450
	mostFuncLines     = 60
	mostMethods       = 5
	mostFiles         = 35 // in a package outside model
	mostCommandLines  = 3000
	mostColumns       = 100
	commandPackage    = "tickover/cmd/tickover"
	modulePrefix      = "tickover/"
	tabWidth          = 4
	testdataComponent = "/testdata/"
)

// room is what is counted of one package, tests left out.
type room struct {
	path                                  string
	files, lines, longestFile             int
	longestFunc, exports, unused, widest  int
	longLines, undocumented, overlongFunc int
}

// breach is one place where a limit is exceeded.
type breach struct{ place, words string }

func main() {
	verbose := flag.Bool("v", false, "list every place")
	limits := flag.Bool("limits", false, "exit 1 when a limit is exceeded")
	columns := flag.Bool("columns", false, "hold the limit of columns too")
	flag.Parse()
	root, err := filepath.Abs("../..")
	if err != nil {
		fail(err)
	}
	rooms, breaches, err := measure(root, *columns)
	if err != nil {
		fail(err)
	}
	printRooms(rooms)
	if *verbose || *limits {
		for _, b := range breaches {
			fmt.Printf("%s: %s\n", b.place, b.words)
		}
	}
	fmt.Printf("%d places exceed a limit\n", len(breaches))
	if *limits && len(breaches) > 0 {
		os.Exit(1)
	}
}

func fail(err error) {
	fmt.Fprintln(os.Stderr, "house:", err)
	os.Exit(2)
}

// measure loads the module at root with its tests, so that what only tests of
// another package use counts as used there and is listed.
func measure(root string, columns bool) ([]*room, []breach, error) {
	fset := token.NewFileSet()
	loaded, err := packages.Load(&packages.Config{
		Mode: packages.NeedName | packages.NeedFiles | packages.NeedSyntax | packages.NeedTypes |
			packages.NeedTypesInfo | packages.NeedImports | packages.NeedDeps,
		Dir: root, Fset: fset, Tests: false,
	}, "./...")
	if err != nil {
		return nil, nil, err
	}
	if packages.PrintErrors(loaded) > 0 {
		return nil, nil, fmt.Errorf("the module does not load")
	}
	used := usedOutside(fset, loaded)
	var rooms []*room
	var breaches []breach
	for _, p := range loaded {
		if strings.Contains(p.PkgPath, testdataComponent) {
			continue
		}
		r := &room{path: p.PkgPath}
		add := func(pos token.Pos, words string) {
			at := fset.Position(pos)
			name, _ := filepath.Rel(root, at.Filename)
			breaches = append(breaches, breach{fmt.Sprintf("%s:%d", name, at.Line), words})
		}
		for _, f := range p.Syntax {
			r.file(fset, f, add)
		}
		if columns {
			r.columns(fset, p, add)
		}
		r.outward(p, used, add)
		if r.files > mostFiles && !strings.HasPrefix(r.path, modulePrefix+"model") {
			breaches = append(breaches, breach{r.path, fmt.Sprintf("%d files; at most %d", r.files, mostFiles)})
		}
		if r.path == commandPackage && r.lines >= mostCommandLines {
			breaches = append(breaches, breach{r.path, fmt.Sprintf("%d lines; fewer than %d", r.lines, mostCommandLines)})
		}
		rooms = append(rooms, r)
	}
	slices.SortFunc(rooms, func(a, b *room) int { return strings.Compare(a.path, b.path) })
	return rooms, breaches, nil
}

// file counts one file's lines, functions and interfaces.
func (r *room) file(fset *token.FileSet, f *ast.File, add func(token.Pos, string)) {
	lines := fset.File(f.Package).LineCount()
	r.files++
	r.lines += lines
	r.longestFile = max(r.longestFile, lines)
	if lines > mostFileLines {
		add(f.Package, fmt.Sprintf("%d lines; at most %d", lines, mostFileLines))
	}
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.FuncDecl:
			long := fset.Position(n.End()).Line - fset.Position(n.Pos()).Line + 1
			r.longestFunc = max(r.longestFunc, long)
			if long > mostFuncLines {
				r.overlongFunc++
				add(n.Pos(), fmt.Sprintf("%s has %d lines; at most %d", n.Name.Name, long, mostFuncLines))
			}
		case *ast.InterfaceType:
			methods := 0
			for _, m := range n.Methods.List {
				methods += len(m.Names)
			}
			r.widest = max(r.widest, methods)
			if methods > mostMethods {
				add(n.Pos(), fmt.Sprintf("an interface of %d methods; at most %d", methods, mostMethods))
			}
		}
		return true
	})
}

func (r *room) columns(fset *token.FileSet, p *packages.Package, add func(token.Pos, string)) {
	for _, f := range p.Syntax {
		file := fset.File(f.Package)
		text, err := os.ReadFile(file.Name())
		if err != nil {
			continue
		}
		for i, line := range strings.Split(string(text), "\n") {
			wide := len([]rune(strings.ReplaceAll(line, "\t", strings.Repeat(" ", tabWidth))))
			if wide > mostColumns && i < file.LineCount() {
				r.longLines++
				add(file.LineStart(i+1), fmt.Sprintf("%d columns; at most %d", wide, mostColumns))
			}
		}
	}
}

// outward counts exported package-level names and methods, those without a
// comment and those that no other package of ours uses.
func (r *room) outward(p *packages.Package, used map[string]bool, add func(token.Pos, string)) {
	for id, obj := range p.TypesInfo.Defs {
		if obj == nil || !obj.Exported() || p.Name == "main" {
			continue
		}
		top := obj.Parent() == p.Types.Scope()
		f, method := obj.(*types.Func)
		method = method && f.Signature().Recv() != nil
		if !top && !method {
			continue
		}
		if method && (!exportedReceiver(f) || satisfies(f, p)) {
			continue
		}
		r.exports++
		if !used[place(p.Fset, id.Pos())] && !servesTests[p.PkgPath] {
			r.unused++
			add(id.Pos(), id.Name+" is exported and no other package uses it")
		}
	}
	for _, f := range p.Syntax {
		for _, d := range f.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Name.IsExported() && fn.Doc == nil && p.Name != "main" {
				r.undocumented++
				add(fn.Pos(), fn.Name.Name+" is exported and has no comment")
			}
		}
	}
}

// servesTests are the rooms that tests of other rooms drive: what they export
// is used there.
var servesTests = map[string]bool{"tickover/collector/slave": true, "tickover/model/plant": true}

func exportedReceiver(f *types.Func) bool {
	t := f.Signature().Recv().Type()
	if ptr, ok := t.(*types.Pointer); ok {
		t = ptr.Elem()
	}
	n, ok := t.(*types.Named)
	return ok && n.Obj().Exported()
}

// satisfies reports whether a method may be called through an interface:
// whether any interface known to the package has a method of its name.
func satisfies(f *types.Func, p *packages.Package) bool {
	return interfaceMethods[f.Name()] || stdInterfaceMethods[f.Name()]
}

// interfaceMethods holds the names of the methods of every interface of ours.
var interfaceMethods = map[string]bool{}

// stdInterfaceMethods are those by which libraries call our types.
var stdInterfaceMethods = map[string]bool{
	"Error": true, "Unwrap": true, "Is": true, "As": true, "String": true, "Read": true, "Write": true, "Close": true,
	"ServeHTTP": true, "RoundTrip": true, "Describe": true, "Collect": true, "Len": true, "Less": true, "Swap": true,
	"MarshalJSON": true, "UnmarshalJSON": true, "MarshalText": true, "UnmarshalText": true, "Enabled": true, "Handle": true,
	"WithAttrs": true, "WithGroup": true, "Format": true, "GoString": true, "Ticks": true, "Timeout": true, "Temporary": true,
	"Header": true, "WriteHeader": true, "Flush": true, "UnmarshalYAML": true, "MarshalYAML": true,
}

func place(fset *token.FileSet, pos token.Pos) string {
	at := fset.Position(pos)
	return fmt.Sprintf("%s:%d", at.Filename, at.Offset)
}

// usedOutside gives the places of the objects that a package other than their
// own uses, fields and embedded types included.
func usedOutside(fset *token.FileSet, loaded []*packages.Package) map[string]bool {
	used := map[string]bool{}
	for _, p := range loaded {
		for _, f := range p.Syntax {
			ast.Inspect(f, func(n ast.Node) bool {
				if it, ok := n.(*ast.InterfaceType); ok {
					for _, m := range it.Methods.List {
						for _, name := range m.Names {
							interfaceMethods[name.Name] = true
						}
					}
				}
				return true
			})
		}
		for _, obj := range p.TypesInfo.Uses {
			if obj.Pkg() == nil || obj.Pkg() == p.Types || !strings.HasPrefix(obj.Pkg().Path(), modulePrefix) {
				continue
			}
			if f, ok := obj.(*types.Func); ok {
				obj = f.Origin()
			}
			used[place(fset, obj.Pos())] = true
		}
		// A type that an exported function or field of another package hands
		// over is used by whoever calls it.
		for _, sel := range p.TypesInfo.Types {
			markNamed(fset, p, sel.Type, used)
		}
	}
	for _, p := range loaded {
		markGroups(fset, p, used)
	}
	return used
}

// markGroups takes the constants of one declaration together: who uses one of
// an enumeration needs the others' names as well.
func markGroups(fset *token.FileSet, p *packages.Package, used map[string]bool) {
	for _, f := range p.Syntax {
		for _, d := range f.Decls {
			g, ok := d.(*ast.GenDecl)
			if !ok || g.Tok != token.CONST {
				continue
			}
			var places []string
			any := false
			for _, spec := range g.Specs {
				for _, name := range spec.(*ast.ValueSpec).Names {
					at := place(fset, name.Pos())
					places = append(places, at)
					any = any || used[at]
				}
			}
			for _, at := range places {
				used[at] = used[at] || any
			}
		}
	}
}

func markNamed(fset *token.FileSet, p *packages.Package, t types.Type, used map[string]bool) {
	switch t := t.(type) {
	case *types.Pointer:
		markNamed(fset, p, t.Elem(), used)
	case *types.Slice:
		markNamed(fset, p, t.Elem(), used)
	case *types.Array:
		markNamed(fset, p, t.Elem(), used)
	case *types.Map:
		markNamed(fset, p, t.Key(), used)
		markNamed(fset, p, t.Elem(), used)
	case *types.Named:
		o := t.Obj()
		if o.Pkg() != nil && o.Pkg() != p.Types && strings.HasPrefix(o.Pkg().Path(), modulePrefix) {
			used[place(fset, o.Pos())] = true
		}
	}
}

func printRooms(rooms []*room) {
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "files\tlines\tlongest file\tlongest function\tfunctions over 60\twidest interface\texports\tunused\tundocumented\tlong lines\t package\t")
	total := &room{path: "all"}
	for _, r := range append(rooms, total) {
		fmt.Fprintf(w, "%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t %s\t\n", r.files, r.lines, r.longestFile, r.longestFunc, r.overlongFunc,
			r.widest, r.exports, r.unused, r.undocumented, r.longLines, strings.TrimPrefix(r.path, modulePrefix))
		if r == total {
			break
		}
		total.files += r.files
		total.lines += r.lines
		total.longestFile = max(total.longestFile, r.longestFile)
		total.longestFunc = max(total.longestFunc, r.longestFunc)
		total.overlongFunc += r.overlongFunc
		total.widest = max(total.widest, r.widest)
		total.exports += r.exports
		total.unused += r.unused
		total.undocumented += r.undocumented
		total.longLines += r.longLines
	}
	w.Flush()
}
