package rpc

import (
	"fmt"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"go/ast"
)

// testsOf are the test functions of a package's folder.
func testsOf(t *testing.T, dir string) map[string]bool {
	t.Helper()
	files, err := filepath.Glob(filepath.Join("../../..", dir, "*_test.go"))
	if err != nil {
		t.Fatal(err)
	}
	names := map[string]bool{}
	for _, file := range files {
		tree, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range tree.Decls {
			if f, ok := d.(*ast.FuncDecl); ok && f.Recv == nil {
				names[f.Name.Name] = true
			}
		}
	}
	return names
}

// TestEveryFailureHasItsTest holds FAILURES.md and THREATS.md against the tests: the
// cases are all there, once and in order, and what they name exists.
func TestEveryFailureHasItsTest(t *testing.T) {
	table, err := os.ReadFile("FAILURES.md")
	if err != nil {
		t.Fatal(err)
	}
	var cases []string
	named := regexp.MustCompile("`((?:Test|Fuzz)[A-Za-z0-9]+)(\\.\\.\\.)?`")
	for _, row := range regexp.MustCompile(`(?m)^\| ([CD]\d+) \|.*\| (\S+) \|$`).FindAllStringSubmatch(string(table), -1) {
		cases = append(cases, row[1])
		tests, found := testsOf(t, row[2]), named.FindAllStringSubmatch(row[0], -1)
		if len(found) == 0 {
			t.Errorf("%s names no test", row[1])
		}
		for _, m := range found {
			if !tests[m[1]] {
				t.Errorf("%s: %s has no %s", row[1], row[2], m[1])
			}
		}
	}
	var want []string
	for i := range 22 {
		want = append(want, fmt.Sprint("C", i+1))
	}
	for i := range 7 {
		want = append(want, fmt.Sprint("D", i+1))
	}
	if fmt.Sprint(cases) != fmt.Sprint(want) {
		t.Errorf("the table has %v", cases)
	}
	threats, err := os.ReadFile("THREATS.md")
	if err != nil {
		t.Fatal(err)
	}
	tests := testsOf(t, "daemon/internal/rpc")
	for _, m := range named.FindAllStringSubmatch(string(threats), -1) {
		known := tests[m[1]]
		for name := range tests {
			known = known || m[2] != "" && strings.HasPrefix(name, m[1])
		}
		if !known {
			t.Errorf("THREATS.md names %s, which is not there", m[0])
		}
	}
}
