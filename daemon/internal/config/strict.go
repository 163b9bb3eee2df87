package config

import (
	"encoding"
	"fmt"
	"math"
	"reflect"
	"sort"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// Problem is one thing wrong with a file.
type Problem struct {
	File   string
	Line   int    // from 1; 0: the file as a whole
	Column int    // from 1
	Key    string // path of the key, for instance sources[0].every
	Text   string // what is wrong and what would be right
}

func (p Problem) Error() string {
	where := p.File
	if p.Line > 0 {
		where = fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column)
	}
	if p.Key != "" {
		return where + ": " + p.Key + ": " + p.Text
	}
	return where + ": " + p.Text
}

// Problems is everything wrong with a file, in order of position.
type Problems []Problem

func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// decoder turns a YAML tree into structs and collects every problem on the way.
type decoder struct {
	file     string
	problems Problems
}

func (d *decoder) add(n ast.Node, key, format string, args ...any) {
	p := Problem{File: d.file, Key: key, Text: fmt.Sprintf(format, args...)}
	if n != nil && n.GetToken() != nil && n.GetToken().Position != nil {
		p.Line, p.Column = n.GetToken().Position.Line, n.GetToken().Position.Column
		// The token of "key: value" is the colon; the key is what people look for.
		if mv, ok := n.(*ast.MappingValueNode); ok {
			p.Line, p.Column = mv.Key.GetToken().Position.Line, mv.Key.GetToken().Position.Column
		}
	}
	d.problems = append(d.problems, p)
}

// parse reads text into the root mapping; nil after a syntax error.
func (d *decoder) parse(text []byte) ast.Node {
	file, err := parser.ParseBytes(text, 0)
	if err != nil {
		p := Problem{File: d.file, Text: "this is not YAML: " + firstLine(err.Error())}
		if pos := errorPosition(err); pos != nil {
			p.Line, p.Column = pos.Line, pos.Column
		}
		d.problems = append(d.problems, p)
		return nil
	}
	if len(file.Docs) == 0 || file.Docs[0].Body == nil {
		d.add(nil, "", "the file is empty")
		return nil
	}
	if len(file.Docs) > 1 {
		d.add(file.Docs[1].Body, "", "more than one document: keep one")
	}
	return file.Docs[0].Body
}

// mapping lists the key: value pairs of n; ok is false when n is no mapping.
func mapping(n ast.Node) (pairs []*ast.MappingValueNode, ok bool) {
	switch v := n.(type) {
	case *ast.MappingNode:
		return v.Values, true
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{v}, true
	case *ast.AnchorNode:
		return mapping(v.Value)
	}
	return nil, false
}

// Rest collects the keys of a mapping that its struct does not name. A field of
// this type without a yaml tag receives them.
type Rest struct {
	d     *decoder
	pairs []*ast.MappingValueNode
	key   string
}

var (
	restType     = reflect.TypeFor[Rest]()
	durationType = reflect.TypeFor[time.Duration]()
	textType     = reflect.TypeFor[encoding.TextUnmarshaler]()
)

// Decode implements drivers.Params.
func (r Rest) Decode(v any) error {
	if r.d == nil {
		return nil
	}
	d := &decoder{file: r.d.file}
	d.pairs(r.pairs, r.key, reflect.ValueOf(v).Elem())
	if len(d.problems) > 0 {
		return d.problems
	}
	return nil
}

// Keys lists the keys that were not decoded yet.
func (r Rest) Keys() []string {
	var keys []string
	for _, p := range r.pairs {
		keys = append(keys, p.Key.String())
	}
	return keys
}

// Problem is a problem of one of the keys, with the key's place in the file.
func (r Rest) Problem(key, text string) error {
	d := &decoder{}
	if r.d != nil {
		d.file = r.d.file
	}
	for _, p := range r.pairs {
		if p.Key.String() == key {
			d.add(p, join(r.key, key), "%s", text)
			return d.problems[0]
		}
	}
	d.add(nil, join(r.key, key), "%s", text)
	return d.problems[0]
}

// value decodes n into v.
func (d *decoder) value(n ast.Node, key string, v reflect.Value) {
	switch a := n.(type) {
	case *ast.AnchorNode:
		n = a.Value
	case *ast.TagNode:
		n = a.Value
	case *ast.NullNode:
		d.add(n, key, "has no value: write one or remove the key")
		return
	}
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			v.Set(reflect.New(v.Type().Elem()))
		}
		d.value(n, key, v.Elem())
		return
	}
	if v.Type() == durationType {
		d.scalar(n, key, "a duration such as 200ms, 90s or 60d", func(s string) error {
			dur, err := ParseDuration(s)
			v.SetInt(int64(dur))
			return err
		})
		return
	}
	if v.CanAddr() && v.Addr().Type().Implements(textType) {
		d.scalar(n, key, "", func(s string) error {
			return v.Addr().Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(s))
		})
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		pairs, ok := mapping(n)
		if !ok {
			d.add(n, key, "want a block of keys (%s), got %s", strings.Join(fieldKeys(v.Type()), ", "), describe(n))
			return
		}
		d.pairs(pairs, key, v)
	case reflect.Slice:
		d.list(n, key, v)
	case reflect.Array:
		d.array(n, key, v)
	case reflect.Map:
		d.table(n, key, v)
	default:
		d.basic(n, key, v)
	}
}

// pairs decodes key: value pairs into the fields of a struct.
func (d *decoder) pairs(pairs []*ast.MappingValueNode, key string, v reflect.Value) {
	fields := map[string]int{}
	rest := -1
	for i := range v.NumField() {
		f := v.Type().Field(i)
		if f.Type == restType {
			rest = i
		} else if name := fieldKey(f); name != "" {
			fields[name] = i
		}
	}
	seen := map[string]bool{}
	var left []*ast.MappingValueNode
	for _, p := range pairs {
		name := p.Key.String()
		path := join(key, name)
		if seen[name] {
			d.add(p, path, "is given twice: keep one")
			continue
		}
		seen[name] = true
		i, ok := fields[name]
		switch {
		case ok:
			d.value(p.Value, path, v.Field(i))
		case rest >= 0:
			left = append(left, p)
		default:
			d.add(p, path, "unknown key%s", suggest(name, fieldKeys(v.Type())))
		}
	}
	if rest >= 0 {
		v.Field(rest).Set(reflect.ValueOf(Rest{d: d, pairs: left, key: key}))
	}
}

func (d *decoder) list(n ast.Node, key string, v reflect.Value) {
	seq, ok := n.(*ast.SequenceNode)
	if !ok {
		d.add(n, key, "want a list, got %s", describe(n))
		return
	}
	v.Set(reflect.MakeSlice(v.Type(), len(seq.Values), len(seq.Values)))
	for i, e := range seq.Values {
		d.value(e, fmt.Sprintf("%s[%d]", key, i), v.Index(i))
	}
}

func (d *decoder) array(n ast.Node, key string, v reflect.Value) {
	seq, ok := n.(*ast.SequenceNode)
	if !ok || len(seq.Values) != v.Len() {
		d.add(n, key, "want a list of %d values, got %s", v.Len(), describe(n))
		return
	}
	for i, e := range seq.Values {
		d.value(e, fmt.Sprintf("%s[%d]", key, i), v.Index(i))
	}
}

func (d *decoder) table(n ast.Node, key string, v reflect.Value) {
	pairs, ok := mapping(n)
	if !ok {
		d.add(n, key, "want a block of keys, got %s", describe(n))
		return
	}
	v.Set(reflect.MakeMap(v.Type()))
	for _, p := range pairs {
		name := p.Key.String()
		if v.MapIndex(reflect.ValueOf(name)).IsValid() {
			d.add(p, join(key, name), "is given twice: keep one")
			continue
		}
		e := reflect.New(v.Type().Elem()).Elem()
		d.value(p.Value, join(key, name), e)
		v.SetMapIndex(reflect.ValueOf(name), e)
	}
}

// basic decodes strings, numbers and booleans.
func (d *decoder) basic(n ast.Node, key string, v reflect.Value) {
	switch v.Kind() {
	case reflect.String:
		d.scalar(n, key, "text", func(s string) error { v.SetString(s); return nil })
	case reflect.Bool:
		d.scalar(n, key, "true or false", func(s string) error {
			b, err := strconv.ParseBool(s)
			v.SetBool(b)
			return err
		})
	case reflect.Int, reflect.Int64, reflect.Int32:
		d.scalar(n, key, "a whole number", func(s string) error {
			i, err := strconv.ParseInt(s, 0, v.Type().Bits())
			v.SetInt(i)
			return err
		})
	case reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64, reflect.Uint:
		d.scalar(n, key, "a whole number, not negative", func(s string) error {
			u, err := strconv.ParseUint(s, 0, v.Type().Bits())
			v.SetUint(u)
			return err
		})
	case reflect.Float64:
		d.scalar(n, key, "a number", func(s string) error {
			f, err := strconv.ParseFloat(s, 64)
			if err == nil && (math.IsNaN(f) || math.IsInf(f, 0)) {
				err = strconv.ErrRange
			}
			v.SetFloat(f)
			return err
		})
	case reflect.Interface: // handed to somebody else, such as a driver's process
		if err := yaml.NodeToValue(n, v.Addr().Interface()); err != nil {
			d.add(n, key, "%v", err)
		}
	default:
		d.add(n, key, "can't be configured") // a struct of ours with a field no file can hold
	}
}

// scalar hands the text of a scalar to set; want says what would be right, empty:
// set's own error says it.
func (d *decoder) scalar(n ast.Node, key, want string, set func(string) error) {
	s, ok := n.(ast.ScalarNode)
	if !ok {
		d.add(n, key, "want %s, got %s", or(want, "one value"), describe(n))
		return
	}
	text := s.GetToken().Value
	if lit, ok := n.(*ast.LiteralNode); ok {
		text = lit.Value.Value
	}
	if err := set(text); err != nil {
		if want == "" {
			d.add(n, key, "%v", err)
		} else {
			d.add(n, key, "want %s, got %q", want, text)
		}
	}
}

func fieldKey(f reflect.StructField) string {
	name, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
	if name == "-" || !f.IsExported() {
		return ""
	}
	return name
}

func fieldKeys(t reflect.Type) []string {
	var keys []string
	for i := range t.NumField() {
		if k := fieldKey(t.Field(i)); k != "" {
			keys = append(keys, k)
		}
	}
	sort.Strings(keys)
	return keys
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func or(a, b string) string {
	if a == "" {
		return b
	}
	return a
}

func describe(n ast.Node) string {
	switch n.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a block of keys"
	case *ast.SequenceNode:
		return "a list"
	case *ast.NullNode:
		return "nothing"
	}
	return strconv.Quote(firstLine(n.String()))
}

func firstLine(s string) string {
	line, _, _ := strings.Cut(strings.TrimSpace(s), "\n")
	return line
}
