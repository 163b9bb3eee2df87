package strictyaml

import (
	"reflect"
	"slices"

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
// Fields of absent keys, and of values that are wrong, keep what they had. The error
// is Problems.
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

// Has says whether the key is among these.
func (r Rest) Has(key string) bool { return slices.Contains(r.Keys(), key) }

// Without is the same keys but one.
func (r Rest) Without(key string) Rest {
	r.pairs = slices.DeleteFunc(slices.Clone(r.pairs), func(p *ast.MappingValueNode) bool { return keyText(p) == key })
	return r
}
