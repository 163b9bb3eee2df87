package strictyaml

import (
	"reflect"

	"github.com/goccy/go-yaml/ast"
)

// Rest holds the keys of a block that its struct does not name, for somebody else to
// decode, such as a driver. A struct field of this type receives them; it needs no
// tag. The zero Rest has no keys. It may be read concurrently.
type Rest struct {
	file  string
	key   string
	pairs []*ast.MappingValueNode
}

// Decode reads the keys into v, a pointer to a struct whose fields have yaml tags.
// Fields of absent keys keep what they had. The error is Problems.
func (r Rest) Decode(v any) error {
	d := &Doc{file: r.file, at: map[string]ast.Node{}}
	d.pairsInto(r.pairs, r.key, reflect.ValueOf(v).Elem())
	return d.Err()
}

// Keys lists the keys in the order of the file.
func (r Rest) Keys() []string {
	var keys []string
	for _, p := range r.pairs {
		keys = append(keys, keyText(p))
	}
	return keys
}

// Texts lists the keys with their values as YAML text, in the order of the file.
func (r Rest) Texts() []string {
	var all []string
	for _, p := range r.pairs {
		all = append(all, p.String())
	}
	return all
}

// Problem is a problem of one of the keys, with the key's place in the file; a key of
// the block that is not among these is placed at the first of them.
func (r Rest) Problem(key, text string) error {
	p := Problem{File: r.file, Key: join(r.key, key), Text: text}
	if len(r.pairs) > 0 {
		p.Line, p.Column = place(r.pairs[0])
	}
	for _, pair := range r.pairs {
		if keyText(pair) == key {
			p.Line, p.Column = place(pair)
		}
	}
	return p
}
