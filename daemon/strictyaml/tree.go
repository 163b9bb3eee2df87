package strictyaml

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

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
	if p := unreadable(file, text); p != nil {
		return nil, Problems{*p}
	}
	d := &Doc{file: file, at: map[string]ast.Node{}}
	plain := strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(strings.TrimPrefix(string(text), "\ufeff"))
	tree, err := parser.ParseBytes([]byte(plain), 0, parser.AllowDuplicateMapKey())
	if err != nil {
		return nil, Problems{d.syntax(err, plain)}
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

// Addf adds a problem at a key path such as "channels.vr1.unit" or "limits[0].bound".
// A key that the file does not have is placed at the nearest key above it.
func (d *Doc) Addf(key, format string, args ...any) {
	d.problems = append(d.problems, d.Problem(key, fmt.Sprintf(format, args...)))
}

// Add adds what others found, apart from what concerns a key of which something is
// said already, or a key above one: it may only follow from that.
func (d *Doc) Add(others Problems) {
	said := d.problems
	for _, p := range others {
		if !said.Below(p.Key) {
			d.problems = append(d.problems, p)
		}
	}
}

// Problem is a problem at a key path, as Addf adds it; valid after Decode.
func (d *Doc) Problem(key, text string) Problem {
	p := Problem{File: d.file, Key: key, Text: text, Line: 1, Column: 1}
	for path := key; path != ""; path = parent(path) {
		if n, ok := d.at[path]; ok {
			p.Line, p.Column = place(entry(descend(n, key[len(path):])))
			break
		}
	}
	return p
}

// descend follows what is left of a key path below a node, as far as it goes.
func descend(n ast.Node, left string) ast.Node {
	for _, step := range strings.FieldsFunc(left, func(r rune) bool { return r == '.' || r == '[' || r == ']' }) {
		next := child(n, step)
		if next == nil {
			return n
		}
		n = next
	}
	return n
}

// child is what stands under a key or an index of a node; nil: nothing.
func child(n ast.Node, step string) ast.Node {
	if pair, ok := n.(*ast.MappingValueNode); ok {
		n = pair.Value
	}
	switch n := n.(type) {
	case *ast.MappingNode:
		for _, pair := range n.Values {
			if keyText(pair) == step {
				return pair
			}
		}
	case *ast.MappingValueNode: // a block of one key
		if keyText(n) == step {
			return n
		}
	case *ast.SequenceNode:
		if i, err := strconv.Atoi(step); err == nil && i < len(n.Values) {
			return n.Values[i]
		}
	}
	return nil
}

// Has tells whether the file has the key; valid after Decode.
func (d *Doc) Has(key string) bool { _, ok := d.at[key]; return ok }

// Problems is a copy of the problems found so far.
func (d *Doc) Problems() Problems { return slices.Clone(d.problems) }

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
