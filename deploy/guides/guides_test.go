// Package guides_test holds the guides and the README to what exists: files and
// chapters behind links, keys of snippets, commands, pictures.
package guides_test

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"soakrig/daemon"
	"soakrig/drivers/all"
)

const root = "../.."

// pages are all pages of the repository that people read, by path below root.
func pages(t *testing.T) map[string]string {
	t.Helper()
	found := map[string]string{}
	err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, ".md") {
			if e != nil && e.IsDir() && (strings.HasPrefix(e.Name(), ".") && len(e.Name()) > 2 || e.Name() == "node_modules" || e.Name() == "testdata") {
				return fs.SkipDir
			}
			return err
		}
		text, err := os.ReadFile(path)
		found[path] = string(text)
		return err
	})
	if err != nil || len(found) < 10 {
		t.Fatalf("%d pages: %v", len(found), err)
	}
	return found
}

var (
	link    = regexp.MustCompile(`\]\(([^)\s]+)\)`)
	heading = regexp.MustCompile(`(?m)^#+ (.+)$`)
	dropped = regexp.MustCompile(`[^\p{L}\p{N} _-]`)
)

// anchors are the chapters of a page as links name them.
func anchors(text string) []string {
	var names []string
	for _, m := range heading.FindAllStringSubmatch(withoutCode(text), -1) {
		names = append(names, strings.ReplaceAll(dropped.ReplaceAllString(strings.ToLower(m[1]), ""), " ", "-"))
	}
	return names
}

// withoutCode leaves fenced blocks out: a comment there is no heading.
func withoutCode(text string) string {
	var out []string
	for i, part := range strings.Split(text, "\n```") {
		if i%2 == 0 {
			out = append(out, part)
		}
	}
	return strings.Join(out, "\n")
}

// broken says what is wrong with a link of a page, "" for nothing.
func broken(page, target string) string {
	if strings.Contains(target, "://") || strings.HasPrefix(target, "mailto:") {
		return ""
	}
	file, chapter, _ := strings.Cut(target, "#")
	path := page
	if file != "" {
		path = filepath.Join(filepath.Dir(page), file)
	}
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return err.Error()
	case chapter == "":
		return ""
	case info.IsDir():
		return "a folder has no chapters"
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return err.Error()
	}
	if names := anchors(string(text)); !slices.Contains(names, chapter) {
		return fmt.Sprintf("no chapter #%s; there are %v", chapter, names)
	}
	return ""
}

func TestLinks(t *testing.T) {
	links := 0
	for page, text := range pages(t) {
		for _, m := range link.FindAllStringSubmatch(withoutCode(text), -1) {
			links++
			if why := broken(page, m[1]); why != "" {
				t.Errorf("%s: link %s: %s", page, m[1], why)
			}
		}
	}
	if links < 20 {
		t.Errorf("only %d links were seen", links)
	}
	for target, want := range map[string]string{
		"none.md": "no such file", "README.md#none": "no chapter", "#none": "no chapter", "../rigs#x": "no chapters",
		"../../README.md#cautions": "", "https://nowhere.example/": "",
	} {
		if why := broken("README.md", target); (why == "") != (want == "") || !strings.Contains(why, want) {
			t.Errorf("%s: %q, want %q", target, why, want)
		}
	}
}

// yamlBlock is a fenced block of YAML; inline is a key with a value between backquotes.
var (
	yamlBlock = regexp.MustCompile("(?s)\n```yaml\n(.*?)\n```")
	inline    = regexp.MustCompile("`((?:simulated|limits|uncertainty|listen|journal|interlock|plan|mains|remote_write): ?[^`]+)`")
	inputKeys = regexp.MustCompile("`((?:port|select|role|place|driver): [^`]+)`")
)

// with puts the keys of a snippet in the place of those of the simulated rig.
func with(t *testing.T, snippet string) string {
	t.Helper()
	base, err := os.ReadFile("../rigs/simulated.yaml")
	if err != nil {
		t.Fatal(err)
	}
	given := map[string]bool{}
	for line := range strings.Lines(snippet) {
		if key, _, ok := strings.Cut(line, ":"); ok && !strings.HasPrefix(line, " ") && !strings.HasPrefix(line, "#") {
			given[key] = true
		}
	}
	var out strings.Builder
	skip := false
	for line := range strings.Lines(string(base)) {
		if !strings.HasPrefix(line, " ") && !strings.HasPrefix(line, "#") {
			key, _, _ := strings.Cut(line, ":")
			skip = given[key]
		}
		if !skip {
			out.WriteString(line)
		}
	}
	return out.String() + snippet + "\n"
}

// TestSnippets: every piece of rig.yaml that a page shows is taken by soakd.
func TestSnippets(t *testing.T) {
	n := 0
	for page, text := range pages(t) {
		var snippets []string
		for _, m := range yamlBlock.FindAllStringSubmatch(text, -1) {
			if strings.HasPrefix(m[1], "rigs:") || !strings.Contains(page, "guides") && !strings.HasSuffix(page, "/README.md") {
				continue // the client's own file, which its tests read; other programs' files
			}
			snippets = append(snippets, m[1])
		}
		for _, m := range inline.FindAllStringSubmatch(text, -1) {
			if !strings.Contains(m[1], "...") {
				snippets = append(snippets, m[1])
			}
		}
		for _, s := range snippets {
			n++
			if _, err := daemon.ParseConfig("rig.yaml", []byte(with(t, s)), all.Drivers()); err != nil {
				t.Errorf("%s: %s\n%v", page, s, err)
			}
		}
	}
	if n < 5 {
		t.Errorf("only %d snippets were seen", n)
	}
	if _, err := daemon.ParseConfig("rig.yaml", []byte(with(t, "limits: {probee: 1}")), all.Drivers()); err == nil {
		t.Error("a wrong snippet is taken")
	}
}

// TestInputSnippets: keys of an input or a channel that a guide names are known.
func TestInputSnippets(t *testing.T) {
	n := 0
	for page, text := range pages(t) {
		if !strings.Contains(page, "guides") {
			continue
		}
		for _, m := range inputKeys.FindAllStringSubmatch(text, -1) {
			key, value, _ := strings.Cut(m[1], ": ")
			rig := ""
			switch key {
			case "port", "select":
				rig = "rig: r\nsources: [{name: a, driver: max31856, inputs: [{channel: x, " + m[1] + "}]}]\n"
			case "role", "place":
				rig = "rig: r\nsources: [{name: a, driver: max31856, inputs: [{channel: x, port: SPI0.0}]}]\nchannels: {x: {" + m[1] + "}}\n"
			case "driver":
				if !slices.ContainsFunc(daemonDrivers(), func(name string) bool { return name == value }) {
					t.Errorf("%s: no driver %s", page, value)
				}
				continue
			}
			n++
			if _, err := daemon.ParseConfig("rig.yaml", []byte(rig), all.Drivers()); err != nil {
				t.Errorf("%s: %s: %v", page, m[1], err)
			}
		}
	}
	if n < 2 {
		t.Errorf("only %d were seen", n)
	}
}

func daemonDrivers() (names []string) {
	for _, d := range all.Drivers() {
		names = append(names, d.Name)
	}
	return names
}

// commands are the lines of a chapter's unmarked code blocks, comments taken off.
func commands(text string) (lines []string) {
	inside, code := false, false
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if strings.HasPrefix(line, "```") {
			inside = !inside
			code = inside && line == "```"
			continue
		}
		if before, _, ok := strings.Cut(line, "  #"); ok {
			line = strings.TrimSpace(before)
		}
		if code && line != "" {
			lines = append(lines, line)
		}
	}
	return lines
}

// TestFirstVerdict: the guide gives the commands of the README's chapter on installing,
// and the same change of rig.yaml; install-test.sh runs those in a clean root.
func TestFirstVerdict(t *testing.T) {
	all := pages(t)
	_, chapter, ok := strings.Cut(all[filepath.Join(root, "README.md")], "\n## Install\n")
	if !ok {
		t.Fatal("the README has no chapter Install")
	}
	chapter, _, _ = strings.Cut(chapter, "\n## ")
	readme, guide := commands(chapter), commands(all[filepath.Join(root, "deploy/guides/first-verdict.md")])
	if len(readme) < 8 || len(guide) < 7 {
		t.Fatalf("README: %q, guide: %q", readme, guide)
	}
	change := regexp.MustCompile(`s/\^simulated:\.\*/(.*)/'`)
	for _, c := range readme {
		switch m := change.FindStringSubmatch(c); {
		case m != nil:
			if !strings.Contains(all[filepath.Join(root, "deploy/guides/first-verdict.md")], "\n"+m[1]+"\n") {
				t.Errorf("the guide changes rig.yaml in another way than %s", c)
			}
		case strings.Contains(c, "apt install"), strings.HasPrefix(c, "deploy/"):
		case !slices.Contains(guide, c):
			t.Errorf("the guide lacks %q: %q", c, guide)
		}
	}
	script, err := os.ReadFile("../package/install-test.sh")
	if err != nil || !strings.Contains(string(script), `$0 == "## Install"`) {
		t.Errorf("install-test.sh does not take its commands from the README: %v", err)
	}
}

// TestSafetyFirst: who opens the meter's page reads what kills before any hook-up, and
// every guide's claim without a source is marked.
func TestSafetyFirst(t *testing.T) {
	text := pages(t)[filepath.Join(root, "deploy/guides/meter.md")]
	at := -1
	for _, w := range []string{"Read this first", "Mains wiring kills", "licensed or competent persons", "isolation", "current transformer", "independent cut-out", "meter.svg", "RS-485 adapter"} {
		i := strings.Index(text, w)
		if i < 0 || i < at && (w == "meter.svg" || w == "RS-485 adapter") {
			t.Errorf("meter.md: %q is missing or comes before the safety text", w)
		}
		at = max(at, i)
	}
	for page, text := range pages(t) {
		if strings.Contains(page, "guides") && strings.Contains(text, "common practice") && !strings.Contains(text, "*(common practice)*") {
			t.Errorf("%s: a mark is spelt in another way", page)
		}
	}
}

// TestPictures: every picture is XML, says what it shows, brings its own background and
// is used by a guide.
func TestPictures(t *testing.T) {
	files, err := filepath.Glob("*.svg")
	if err != nil || len(files) < 4 {
		t.Fatalf("%v %v", files, err)
	}
	var guides strings.Builder
	for page, text := range pages(t) {
		if strings.Contains(page, "guides") {
			guides.WriteString(text)
		}
	}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		d := xml.NewDecoder(strings.NewReader(string(text)))
		for {
			if _, err = d.Token(); err != nil {
				break
			}
		}
		if !errors.Is(err, io.EOF) {
			t.Errorf("%s: %v", f, err)
		}
		for _, w := range []string{"<title>", "viewBox=", `fill="#ffffff"/>`} {
			if !strings.Contains(string(text), w) {
				t.Errorf("%s has no %s", f, w)
			}
		}
		if !strings.Contains(guides.String(), "("+f+")") {
			t.Errorf("no guide shows %s", f)
		}
	}
}
