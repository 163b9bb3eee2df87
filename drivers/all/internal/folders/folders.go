// Package folders finds the packages that export a driver, by parsing them. The
// generator of drivers/all and its test use it.
package folders

import (
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"sort"
	"strings"
)

// Folder is one package with a driver.
type Folder struct {
	Path    string // below drivers, with slashes: "probe/max31855"
	Package string // the name in its package clause
	Tests   bool   // a test of it calls drivertest.Conformance
}

// Find looks below root, the folder of package drivers. Rooms that do not exist
// yet and folders that declare no Driver are passed over.
func Find(root string) ([]Folder, error) {
	var out []Folder
	for _, room := range []string{"probe", "meter", "push", "plugin"} {
		candidates := []string{room}
		entries, err := os.ReadDir(filepath.Join(root, room))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		for _, e := range entries {
			if e.IsDir() && e.Name() != "testdata" && e.Name() != "internal" {
				candidates = append(candidates, path.Join(room, e.Name()))
			}
		}
		for _, c := range candidates {
			f, ok, err := inspect(root, c)
			if err != nil {
				return nil, err
			}
			if ok {
				out = append(out, f)
			}
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Path < out[j].Path })
	return out, nil
}

func inspect(root, folder string) (f Folder, ok bool, err error) {
	f.Path = folder
	files, err := filepath.Glob(filepath.Join(root, filepath.FromSlash(folder), "*.go"))
	if err != nil {
		return f, false, err
	}
	for _, name := range files {
		src, err := os.ReadFile(name)
		if err != nil {
			return f, false, err
		}
		if strings.HasSuffix(name, "_test.go") {
			f.Tests = f.Tests || strings.Contains(string(src), "drivertest.Conformance(")
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, src, parser.SkipObjectResolution)
		if err != nil {
			return f, false, fmt.Errorf("look for drivers: %w", err)
		}
		if declares(file) {
			f.Package, ok = file.Name.Name, true
		}
	}
	return f, ok, nil
}

// declares tells whether a file has a variable Driver at its top level.
func declares(file *ast.File) bool {
	for _, d := range file.Decls {
		g, isGen := d.(*ast.GenDecl)
		if !isGen || g.Tok != token.VAR {
			continue
		}
		for _, s := range g.Specs {
			for _, n := range s.(*ast.ValueSpec).Names {
				if n.Name == "Driver" {
					return true
				}
			}
		}
	}
	return false
}
