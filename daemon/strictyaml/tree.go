package strictyaml

import (
	"errors"
	"fmt"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// Doc is a parsed file and the problems found in it so far. One goroutine uses it
// at a time.
type Doc struct {
	file     string
	root     ast.Node
	problems Problems
	at       map[string]ast.Node // key path -> the key's node, filled by Decode
}

// Parse reads text; file is the name that problems carry. Text that is not YAML, or
// is empty, gives Problems.
func Parse(file string, text []byte) (*Doc, error) {
	d := &Doc{file: file, at: map[string]ast.Node{}}
	tree, err := parser.ParseBytes([]byte(strings.TrimPrefix(string(text), "\ufeff")), 0)
	if err != nil {
		return nil, Problems{d.syntax(err)}
	}
	if len(tree.Docs) == 0 || tree.Docs[0].Body == nil {
		return nil, Problems{{File: file, Text: "the file is empty"}}
	}
	if len(tree.Docs) > 1 {
		return nil, Problems{{File: file, Text: "there is more than one document in the file: keep one"}}
	}
	d.root = tree.Docs[0].Body
	return d, nil
}

func (d *Doc) syntax(err error) Problem {
	p := Problem{File: d.file, Text: "this is not YAML: " + firstLine(err.Error())}
	var syntax *yaml.SyntaxError
	if errors.As(err, &syntax) {
		p.Text = "this is not YAML: " + syntax.Message
		if syntax.Token != nil && syntax.Token.Position != nil {
			p.Line, p.Column = syntax.Token.Position.Line, syntax.Token.Position.Column
		}
	}
	return p
}

// Addf adds a problem at a key path such as "channels.vr1.unit" or "limits[0].bound".
// A key that the file does not have is placed at the nearest key above it.
func (d *Doc) Addf(key, format string, args ...any) {
	p := Problem{File: d.file, Key: key, Text: fmt.Sprintf(format, args...)}
	for path := key; path != ""; path = parent(path) {
		if n, ok := d.at[path]; ok {
			p.Line, p.Column = place(n)
			break
		}
	}
	if p.Line == 0 {
		p.Line, p.Column = 1, 1
	}
	d.problems = append(d.problems, p)
}

// Has tells whether the file has the key; valid after Decode.
func (d *Doc) Has(key string) bool { _, ok := d.at[key]; return ok }

// Err is the problems found so far in order of position; nil when there are none.
func (d *Doc) Err() error {
	if len(d.problems) == 0 {
		return nil
	}
	return d.problems.sorted()
}

func (d *Doc) add(n ast.Node, key, format string, args ...any) {
	p := Problem{File: d.file, Key: key, Text: fmt.Sprintf(format, args...)}
	p.Line, p.Column = place(n)
	d.problems = append(d.problems, p)
}

// place is where a node stands; of a key-value pair it is the key that people look
// for.
func place(n ast.Node) (line, column int) {
	if pair, ok := n.(*ast.MappingValueNode); ok {
		n = pair.Key
	}
	if n == nil || n.GetToken() == nil || n.GetToken().Position == nil {
		return 0, 0
	}
	return n.GetToken().Position.Line, n.GetToken().Position.Column
}

// entry is what stands for an element of a list: of a block its first key.
func entry(n ast.Node) ast.Node {
	if block, ok := n.(*ast.MappingNode); ok && len(block.Values) > 0 {
		return block.Values[0]
	}
	return n
}

func parent(path string) string {
	if i := strings.LastIndexAny(path, ".["); i >= 0 {
		return path[:i]
	}
	return ""
}

func firstLine(s string) string {
	line, _, _ := strings.Cut(strings.TrimSpace(s), "\n")
	return line
}
