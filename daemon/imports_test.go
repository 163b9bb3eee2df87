package daemon_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// room is a rule for a folder and what lies below it. The longest prefix that
// matches a package is its rule. Tests may import more: they check, they don't ship.
type room struct {
	dir string
	may []string // prefixes of our own packages that it may import
	why string
}

// rooms is the table of who may know whom. Anything that is not named is refused.
var rooms = []room{
	{dir: "proto", may: []string{"proto"}, why: "generated code knows nothing of ours"},
	{dir: "proto/recordpb", may: []string{"proto", "daemon/record"}, why: "it carries stored structs to messages and back, for daemon and client alike"},
	{dir: "drivers", may: []string{"drivers/bus"}, why: "the contract is all that a driver author must read"},
	{dir: "drivers/its90", why: "reference functions are pure"},
	{dir: "drivers/bus", may: []string{"drivers/bus"}, why: "buses know no driver"},
	{dir: "drivers/probe", may: []string{"drivers", "drivers/bus", "drivers/its90", "drivers/probe/internal/ads111x"}, why: "a chip knows the contract, its bus and the couples, and no other driver"},
	{dir: "drivers/probe/internal/ads111x", may: []string{"drivers", "drivers/bus", "drivers/its90"}, why: "what two chips of one family share is no driver"},
	{dir: "drivers/meter", may: []string{"drivers", "drivers/bus"}, why: "a meter knows the contract and its bus, and no other driver"},
	{dir: "drivers/push", may: []string{"drivers", "drivers/bus"}, why: "as a meter"},
	{dir: "drivers/plugin", may: []string{"drivers", "drivers/bus", "proto/soakrig/driver/v1"}, why: "both halves of the out-of-process contract"},
	{dir: "drivers/simrig", may: []string{"drivers/bus", "drivers/its90"}, why: "a simulated rig stands at the bus and must not know who reads it"},
	{dir: "drivers/drivertest", may: []string{"drivers", "drivers/bus", "drivers/its90", "daemon/strictyaml"}, why: "fakes and the conformance run know the contract, and read options by the daemon's own decoder"},
	{dir: "drivers/all", may: []string{"drivers"}, why: "the list names every driver"},
	{dir: "daemon/record", why: "what is stored depends on nothing"},
	{dir: "daemon/strictyaml", why: "reading a file's words is pure, so that the rig and the desk read alike"},
	{dir: "daemon/manual", why: "writing a program's pages knows nothing of what it does"},
	{dir: "daemon/convert", may: []string{"daemon/record", "drivers/its90"}, why: "conversion is pure, so that replay equals live"},
	{dir: "daemon/analysis", may: []string{"daemon/record", "daemon/analysis/constants"}, why: "judging is pure, so that replay equals live"},
	{dir: "daemon/analysis/constants", why: "thresholds are names, defaults and ranges, whoever compares with them"},
	{dir: "daemon/analysis/compare", may: []string{"daemon/record", "daemon/analysis/constants", "daemon/analysis/internal/series", "daemon/analysis/internal/budget", "daemon/analysis/internal/wording"}, why: "runs are compared by their results, whoever judged them"},
	{dir: "daemon/analysis/zero", may: []string{"daemon/analysis/internal/series"}, why: "a check of probes knows readings and no run"},
	{dir: "daemon/analysis/internal/series", why: "arithmetic knows nothing of soaks"},
	{dir: "daemon/analysis/internal/budget", may: []string{"daemon/record", "daemon/analysis/constants", "daemon/analysis/internal/series"}, why: "an uncertainty is added up from its lines alone"},
	{dir: "daemon/analysis/internal/limiting", may: []string{"daemon/record", "daemon/analysis/constants", "daemon/analysis/internal/series", "daemon/analysis/internal/wording"}, why: "what held power back is read from power and one probe alone"},
	{dir: "daemon/analysis/internal/worked", may: []string{"daemon/record", "daemon/analysis/constants", "daemon/analysis/internal/budget"}, why: "an example for tests"},
	{dir: "daemon/analysis/internal/wording", why: "words for numbers know nothing of soaks"},
	{dir: "daemon/analysis/ratetable", may: []string{"daemon/analysis", "daemon/record"}, why: "it measures how often analysis is right"},
	{dir: "daemon/internal/rigtime", may: []string{"daemon/record"}, why: "the clock knows stamps only"},
	{dir: "daemon/internal/config", may: []string{"daemon/record", "daemon/strictyaml", "drivers", "drivers/bus", "drivers/its90"}, why: "configuration names things (a decoder in the bus's words) and opens nothing"},
	{dir: "daemon/internal/journal", may: []string{"daemon/record"}, why: "the journal stores records and knows no reader"},
	{dir: "daemon/internal/acquire", may: []string{"daemon/record", "daemon/internal/config", "daemon/internal/rigtime", "daemon/strictyaml", "drivers", "drivers/bus"}, why: "acquisition has one way out: the journal it declares as an interface"},
	{dir: "daemon/internal/runs", may: []string{"daemon/record", "daemon/convert", "daemon/analysis", "daemon/analysis/zero", "daemon/internal/journal", "daemon/internal/rigtime"}, why: "runs read the journal like anybody else"},
	{dir: "daemon/internal/interlock", may: []string{"daemon/record", "daemon/convert", "daemon/internal/journal"}, why: "an output that fails towards off"},
	{dir: "daemon/internal/metrics", may: []string{"daemon/record", "daemon/convert", "daemon/internal/journal", "daemon/internal/rigtime"}, why: "a scrape copies a snapshot; it can't touch a bus"},
	{dir: "daemon/internal/remotewrite", may: []string{"daemon/record", "daemon/convert", "daemon/internal/journal", "daemon/internal/rigtime"}, why: "it reads the journal"},
	{dir: "daemon/internal/rpc", may: []string{"proto", "proto/recordpb", "daemon/record", "daemon/convert", "daemon/internal/journal", "daemon/internal/rigtime"}, why: "the only room of the daemon that knows the wire"},
	{dir: "daemon", may: []string{"daemon", "drivers"}, why: "wiring"},
	{dir: "daemon/soakd", may: []string{"daemon", "drivers/all", "drivers"}, why: "main passes the list of drivers in"},
	{dir: "client", may: []string{"proto", "daemon/record", "daemon/strictyaml", "daemon/manual", "daemon/convert", "daemon/analysis", "drivers/its90", "client"}, why: "the client knows the wire and the pure rooms, never the daemon"},
	{dir: "deploy", may: []string{"daemon", "client", "drivers", "proto"}, why: "the demo runs daemons and clients in one process"},
}

func rule(pkg string) (room, bool) {
	best, found := room{}, false
	for _, r := range rooms {
		if (pkg == r.dir || strings.HasPrefix(pkg, r.dir+"/")) && (!found || len(r.dir) > len(best.dir)) {
			best, found = r, true
		}
	}
	return best, found
}

// allowed says whether a package may import another of ours. A prefix covers what
// lies below it only where no more special rule speaks: "drivers" does not open
// drivers/probe to a chip.
func allowed(r room, pkg, imp string) bool {
	if pkg == imp || strings.HasPrefix(imp, pkg+"/internal") || strings.HasPrefix(imp, pkg+"/") && !hasRule(imp) {
		return true
	}
	target, ok := rule(imp)
	if !ok {
		return false
	}
	wide := r.dir == "daemon" || r.dir == "drivers/all" || r.dir == "deploy" || r.dir == "client" || r.dir == "daemon/soakd"
	for _, m := range r.may {
		if imp == m || target.dir == m || wide && strings.HasPrefix(imp, m+"/") {
			return true
		}
	}
	return false
}

func hasRule(pkg string) bool {
	return slices.ContainsFunc(rooms, func(r room) bool { return r.dir == pkg })
}

type source struct {
	pkg, file string
	tree      *ast.File
}

// sources parses every Go file of the module. It asks no go command: a test that
// does can pass from the test cache after a file was added.
func sources(t *testing.T) []source {
	t.Helper()
	root, err := filepath.Abs("..")
	if err != nil {
		t.Fatal(err)
	}
	var all []source
	err = filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (strings.HasPrefix(d.Name(), ".") && name != root || d.Name() == "testdata" || d.Name() == "node_modules") {
			return filepath.SkipDir
		}
		if !strings.HasSuffix(name, ".go") {
			return nil
		}
		tree, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, name)
		if err != nil {
			return err
		}
		all = append(all, source{pkg: path.Dir(filepath.ToSlash(rel)), file: rel, tree: tree})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 100 {
		t.Fatalf("only %d Go files found below %s", len(all), root)
	}
	return all
}

func TestImports(t *testing.T) {
	for _, s := range sources(t) {
		if strings.HasSuffix(s.file, "_test.go") {
			continue
		}
		r, ok := rule(s.pkg)
		if !ok {
			t.Errorf("%s: no rule for package %s: add it to the table with its reason", s.file, s.pkg)
			continue
		}
		for _, imp := range s.tree.Imports {
			p, err := strconv.Unquote(imp.Path.Value)
			if err != nil {
				t.Fatal(err)
			}
			own, ok := strings.CutPrefix(p, "soakrig/")
			if ok && !allowed(r, s.pkg, own) {
				t.Errorf("%s imports %s: %s may import only %v: %s", s.file, own, r.dir, r.may, r.why)
			}
		}
	}
}

// TestPackageComments wants exactly one package comment in every package: what it
// does and what it does not.
func TestPackageComments(t *testing.T) {
	comments := map[string][]string{}
	for _, s := range sources(t) {
		if strings.HasSuffix(s.file, "_test.go") || ast.IsGenerated(s.tree) {
			continue
		}
		if slices.ContainsFunc(s.tree.Comments, func(g *ast.CommentGroup) bool { return g.List[0].Text == "//go:build ignore" }) {
			continue // a generator, run by file name
		}
		if _, ok := comments[s.pkg]; !ok {
			comments[s.pkg] = nil
		}
		if s.tree.Doc != nil && len(s.tree.Doc.Text()) > 0 {
			comments[s.pkg] = append(comments[s.pkg], s.file)
		}
	}
	for pkg, files := range comments {
		if len(files) != 1 {
			t.Errorf("package %s has %d package comments %v: want exactly one", pkg, len(files), files)
		}
	}
}

// TestRoomNames refuses names that say nothing.
func TestRoomNames(t *testing.T) {
	for _, s := range sources(t) {
		for part := range strings.SplitSeq(s.pkg, "/") {
			switch part {
			case "util", "utils", "common", "types", "helpers", "misc":
				t.Errorf("%s: name the folder after the thing it holds", s.pkg)
			}
		}
	}
}

// TestTopLevel keeps the top level as it is.
func TestTopLevel(t *testing.T) {
	want := []string{"DEVELOPERS.md", "LICENSE", "README.md", "client", "daemon", "deploy", "drivers", "go.mod", "go.sum", "proto", "testdata"}
	entries, err := os.ReadDir("..")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if name := e.Name(); !strings.HasPrefix(name, ".") && !slices.Contains(want, name) && name != "soak-demo" {
			t.Errorf("%s does not belong at the top level", name)
		}
	}
}

// TestMainsAreShort keeps logic out of main functions.
func TestMainsAreShort(t *testing.T) {
	for _, file := range []string{"soakd/main.go", "../client/soak/main.go"} {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if n := strings.Count(string(text), "\n"); n > 40 {
			t.Errorf("%s has %d lines: move what it does into a package", file, n)
		}
	}
}
