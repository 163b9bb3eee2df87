// Command licences writes the licence texts of everything that is linked into the given
// commands, in one text: the Go distribution, every module, and what this project
// carries itself. A module without a licence file is an error, not a blank.
//
//	go run ./deploy/package/licences ./daemon/soakd ./client/soak > licences.txt
package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

func main() {
	if err := write(os.Stdout, os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "licences:", err)
		os.Exit(1)
	}
}

// listed is what the go command says of one package.
type listed struct {
	ImportPath string
	Dir        string
	Standard   bool
	Module     *struct {
		Path, Version, Dir string
		Main               bool
		Replace            *struct{ Path, Version string }
	}
}

// linked is one module or the distribution, with its texts by path inside it.
type linked struct {
	name  string
	texts map[string]string
}

// licenceFile matches the names under which licences are kept.
var licenceFile = regexp.MustCompile(`(?i)^(licen[cs]e|copying|copyright|notice|patents)|\.licen[cs]e$`)

func write(w io.Writer, commands []string) error {
	if len(commands) == 0 {
		return errors.New("name the commands, for instance ./daemon/soakd")
	}
	packages, goroot, err := list(commands)
	if err != nil {
		return err
	}
	all, err := gather(packages, goroot)
	if err != nil {
		return err
	}
	return print(w, all)
}

// list asks the go command for every package that the commands link.
func list(commands []string) ([]listed, string, error) {
	out, err := exec.Command("go", append([]string{"list", "-deps", "-json=ImportPath,Dir,Standard,Module"}, commands...)...).Output()
	if err != nil {
		return nil, "", fmt.Errorf("go list %s: %w", strings.Join(commands, " "), err)
	}
	var packages []listed
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p listed
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return nil, "", fmt.Errorf("go list: %w", err)
		}
		packages = append(packages, p)
	}
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return nil, "", fmt.Errorf("go env: %w", err)
	}
	return packages, strings.TrimSpace(string(root)), nil
}

// gather collects the licence files between each linked package and its module's root,
// since parts of a module may have a licence of their own.
func gather(packages []listed, goroot string) ([]linked, error) {
	byName := map[string]map[string]string{}
	for _, p := range packages {
		name, root := "Go standard library", goroot
		if !p.Standard {
			if p.Module == nil || p.Module.Dir == "" {
				return nil, fmt.Errorf("%s: its module's files are not here; go mod download", p.ImportPath)
			}
			name, root = strings.TrimSpace(p.Module.Path+" "+p.Module.Version), p.Module.Dir
		}
		texts := byName[name]
		if texts == nil {
			texts = map[string]string{}
			byName[name] = texts
		}
		for dir := p.Dir; strings.HasPrefix(dir, root); dir = filepath.Dir(dir) {
			if err := take(texts, root, dir); err != nil {
				return nil, err
			}
		}
		if p.Module != nil && p.Module.Main { // files that the program carries
			if err := take(texts, root, filepath.Join(p.Dir, "assets")); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return nil, err
			}
		}
	}
	var all []linked
	for name, texts := range byName {
		if len(texts) == 0 {
			return nil, fmt.Errorf("%s has no licence file", name)
		}
		all = append(all, linked{name, texts})
	}
	slices.SortFunc(all, func(a, b linked) int { return strings.Compare(a.name, b.name) })
	return all, nil
}

// take adds the licence files in dir, named by their path below root.
func take(texts map[string]string, root, dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if e.IsDir() || !licenceFile.MatchString(e.Name()) || strings.HasSuffix(e.Name(), ".go") {
			continue
		}
		path := filepath.Join(dir, e.Name())
		name, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		if _, ok := texts[name]; ok {
			continue
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		texts[name] = string(text)
	}
	return nil
}

func print(w io.Writer, all []linked) error {
	_, err := fmt.Fprintf(w, "Licences of what is linked into soakd and soak: %d works.\n", len(all))
	line := strings.Repeat("=", 80)
	for _, l := range all {
		names := make([]string, 0, len(l.texts))
		for name := range l.texts {
			names = append(names, name)
		}
		slices.Sort(names)
		for _, name := range names {
			_, e := fmt.Fprintf(w, "\n%s\n%s: %s\n%s\n\n%s\n", line, l.name, filepath.ToSlash(name), line, strings.TrimSpace(l.texts[name]))
			err = errors.Join(err, e)
		}
	}
	return err
}
