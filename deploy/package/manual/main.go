// Command manual writes the manual page rig.yaml(5): every key from the comment at its
// field of the configuration, every driver's own keys from the driver, those of the
// simulated rig from its options, and a simulated rig as the example. A key without a comment is an error, not a blank.
//
//	go run ./deploy/package/manual > rig.yaml.5
//
// SOURCE_DATE_EPOCH dates the page; without it the page has no date.
package main

import (
	"cmp"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/all"
	"soakrig/drivers/simrig"
)

func main() {
	if err := write(os.Stdout, "."); err != nil {
		fmt.Fprintln(os.Stderr, "manual:", err)
		os.Exit(1)
	}
}

// Where the page's texts are, below the repository's root.
const (
	keysFile      = "daemon/internal/config/config.go"
	simulatedFile = "drivers/simrig/opts.go"
	exampleFile   = "deploy/rigs/simulated.yaml"
)

// write writes the page; root is the repository's folder.
func write(w io.Writer, root string) error {
	text, err := os.ReadFile(filepath.Join(root, keysFile))
	if err != nil {
		return fmt.Errorf("read the configuration's fields (run this in the repository's root): %w", err)
	}
	example, err := os.ReadFile(filepath.Join(root, exampleFile))
	if err != nil {
		return fmt.Errorf("read the example: %w", err)
	}
	keys, err := keysOf(string(text), "Config")
	if err != nil {
		return fmt.Errorf("%s: %w", keysFile, err)
	}
	if text, err = os.ReadFile(filepath.Join(root, simulatedFile)); err != nil {
		return fmt.Errorf("read the simulated rig's fields: %w", err)
	}
	simulated, err := keysOf(string(text), "Opts")
	if err != nil {
		return fmt.Errorf("%s: %w", simulatedFile, err)
	}
	_, err = io.WriteString(w, page(keys, simulated, all.Drivers(), string(example), day()))
	return err
}

// day is the page's date, empty if nobody says which.
func day() string {
	seconds, err := strconv.ParseInt(os.Getenv("SOURCE_DATE_EPOCH"), 10, 64)
	if err != nil {
		return ""
	}
	return time.Unix(seconds, 0).UTC().Format(time.DateOnly)
}

// key is one key of the configuration, with the keys below it.
type key struct {
	name, form, help string
	below            []key
}

// keysOf reads the fields of a struct and of what it holds.
func keysOf(source, of string) ([]key, error) {
	file, err := parser.ParseFile(token.NewFileSet(), "", source, parser.ParseComments|parser.SkipObjectResolution)
	if err != nil {
		return nil, err
	}
	structs := map[string]*ast.StructType{}
	ast.Inspect(file, func(n ast.Node) bool {
		if t, ok := n.(*ast.TypeSpec); ok {
			if s, ok := t.Type.(*ast.StructType); ok {
				structs[t.Name.Name] = s
			}
		}
		return true
	})
	if structs[of] == nil {
		return nil, fmt.Errorf("there is no struct %s", of)
	}
	return fields(structs, of)
}

func fields(structs map[string]*ast.StructType, of string) ([]key, error) {
	var keys []key
	for _, f := range structs[of].Fields.List {
		if f.Tag == nil {
			continue
		}
		tag, err := strconv.Unquote(f.Tag.Value)
		if err != nil {
			return nil, err
		}
		name := reflect.StructTag(tag).Get("yaml")
		if name == "" || name == "-" {
			continue
		}
		k := key{name: name, help: strings.Join(strings.Fields(cmp.Or(f.Doc.Text(), f.Comment.Text())), " ")}
		if k.help == "" {
			return nil, fmt.Errorf("%s.%s: key %s has no comment above or beside it: say what it does, its unit, range and default", of, f.Names[0].Name, name)
		}
		var inner string
		k.form, inner = form(f.Type, structs)
		if k.form == "" {
			return nil, fmt.Errorf("%s.%s: the form of a %s is not known here", of, f.Names[0].Name, inner)
		}
		if inner != "" {
			if k.below, err = fields(structs, inner); err != nil {
				return nil, err
			}
		}
		keys = append(keys, k)
	}
	return keys, nil
}

// form words how a value is written, and names the struct of the keys below.
func form(t ast.Expr, structs map[string]*ast.StructType) (text, inner string) {
	switch t := t.(type) {
	case *ast.StarExpr:
		return form(t.X, structs)
	case *ast.ArrayType:
		text, inner = form(t.Elt, structs)
		if t.Len != nil {
			return "two of: " + text, inner
		}
		return "list of: " + text, inner
	case *ast.MapType:
		text, inner = form(t.Value, structs)
		return "by name: " + text, inner
	case *ast.SelectorExpr:
		switch t.Sel.Name {
		case "Duration":
			return "length of time", ""
		case "Time":
			return "date and time, RFC 3339", ""
		}
		return "", t.Sel.Name
	case *ast.Ident:
		if structs[t.Name] != nil {
			return "keys", t.Name
		}
		return map[string]string{
			"string": "text", "bool": "true or false", "int": "whole number", "uint64": "whole number", "float64": "number",
			"Size": "size", "Hertz": "50Hz or 60Hz", "Accuracy": "accuracy",
		}[t.Name], ""
	}
	return "", fmt.Sprintf("%T", t)
}

func page(keys, simulated []key, all []*drivers.Driver, example, day string) string {
	var b strings.Builder
	fmt.Fprintf(&b, ".TH RIG.YAML 5 %q soakrig soakrig\n", day)
	b.WriteString(".SH NAME\nrig.yaml \\- configuration of soakd: one rig\n")
	b.WriteString(".SH SYNOPSIS\n/etc/soakd/rig.yaml\n")
	b.WriteString(".SH DESCRIPTION\n" + roff("The file is read strictly: an unknown key, a wrong unit or a doubtful word is refused, all at once, each with line and column. "+
		"Lengths of time are written 500ms, 30s, 1h30m or 60d; sizes 500MB or 8GiB; dates 2026-05-02.") + "\n.PP\n" +
		roff("soakd check reads the file, opens every source and reads it once. A running soakd reads the file again when it gets SIGHUP, as a whole or not at all; rig, listen and journal change at a restart only.") + "\n.PP\n" +
		roff("soakd is not a safety device: limits and interlock are conveniences. Fit an independent thermal cut-out.") + "\n")
	b.WriteString(".SH KEYS\n")
	writeKeys(&b, keys)
	b.WriteString(".SH KEYS OF DRIVERS\n" + roff("They stand beside the source's or the input's keys. soakd drivers NAME says more: accuracy, what a driver can and can't detect.") + "\n")
	sorted := slices.SortedFunc(slices.Values(all), func(a, b *drivers.Driver) int { return cmp.Compare(a.Name, b.Name) })
	for _, d := range sorted {
		fmt.Fprintf(&b, ".SS %s\n%s\n", roff(d.Name), roff(d.Info.Summary))
		for _, o := range d.Info.Options {
			otherwise := "required"
			if o.Default != "" {
				otherwise = "default " + o.Default
			}
			fmt.Fprintf(&b, ".TP\n.BR %s \" (%s; %s)\"\n%s\n", roff(o.Key), roff(o.Scope), roff(strings.Trim(o.Unit+"; "+otherwise, "; ")), roff(o.Help))
		}
	}
	b.WriteString(".SH KEYS OF THE SIMULATED RIG\n" + roff("They stand below simulated, beside speed. What is left out is as an invented unit of eight power stages has it. Times are rig time, which begins anew whenever soakd starts. Kinds of faults, what each can hit and what its value is:") + "\n")
	for _, kind := range simrig.FaultKinds() {
		name, help, _ := strings.Cut(kind, " ")
		fmt.Fprintf(&b, ".TP\n.BR %s\n%s\n", roff(name), roff(help))
	}
	writeKeys(&b, simulated)
	b.WriteString(".SH EXAMPLE\n.EX\n" + roff(strings.TrimRight(example, "\n")) + "\n.EE\n")
	b.WriteString(".SH FILES\n.TP\n.I /etc/soakd/rig.yaml\nread by soakd.service\n.TP\n.I /usr/share/doc/soakrig/examples/rigs\nmore examples\n")
	b.WriteString(".SH SEE ALSO\n.BR soakd (1),\n.BR soakd\\-check (1),\n.BR soakd\\-drivers (1)\n")
	return b.String()
}

func writeKeys(b *strings.Builder, keys []key) {
	for _, k := range keys {
		fmt.Fprintf(b, ".TP\n.BR %s \" (%s)\"\n%s\n", roff(k.name), roff(k.form), roff(k.help))
		if len(k.below) > 0 {
			b.WriteString(".RS\n")
			writeKeys(b, k.below)
			b.WriteString(".RE\n")
		}
	}
}

// roff escapes text: backslashes, hyphens, quotes, and dots that would begin a request.
func roff(text string) string {
	text = strings.NewReplacer(`\`, `\e`, "-", `\-`, `"`, `\(dq`).Replace(text)
	lines := strings.Split(text, "\n")
	for i, l := range lines {
		if strings.HasPrefix(l, ".") || strings.HasPrefix(l, "'") {
			lines[i] = `\&` + l
		}
	}
	return strings.Join(lines, "\n")
}
