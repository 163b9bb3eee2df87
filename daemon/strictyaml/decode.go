package strictyaml

import (
	"encoding"
	"errors"
	"fmt"
	"math"
	"reflect"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
)

// Shorthand is implemented by a struct that may also be written as one scalar, for
// instance "load: 60min" for "load: {planned: 60min}".
type Shorthand interface{ FromScalar(text string) error }

var (
	textType      = reflect.TypeFor[encoding.TextUnmarshaler]()
	shorthandType = reflect.TypeFor[Shorthand]()
	durationType  = reflect.TypeFor[time.Duration]()
	restType      = reflect.TypeFor[Rest]()
)

// Decode reads the document into v, a pointer to a struct whose fields have yaml
// tags. Fields of absent keys, and of values that are wrong, keep what they had.
// Problems are kept for Err.
func (d *Doc) Decode(v any) { d.value(d.root, "", reflect.ValueOf(v).Elem()) }

func (d *Doc) value(n ast.Node, key string, v reflect.Value) {
	switch a := n.(type) {
	case *ast.AnchorNode:
		n = a.Value
	case *ast.TagNode:
		n = a.Value
	case *ast.NullNode:
		d.add(n, key, "has no value: write one or remove the key")
		return
	case *ast.AliasNode:
		d.add(n, key, "is a reference (%s): write the value itself", firstLine(n.String()))
		return
	}
	if v.Kind() == reflect.Pointer {
		v.Set(reflect.New(v.Type().Elem()))
		d.value(n, key, v.Elem())
		return
	}
	if own, ok := v.Addr().Interface().(nodeDecoder); ok {
		own.decodeNode(d, n, key)
		return
	}
	scalar, isScalar := n.(ast.ScalarNode)
	switch {
	case v.Type() == durationType:
		d.scalar(n, key, "", func(s []byte) error {
			length, err := ParseDuration(string(s))
			if err == nil {
				v.SetInt(int64(length))
			}
			return err
		})
	case v.Addr().Type().Implements(textType):
		d.scalar(n, key, "", v.Addr().Interface().(encoding.TextUnmarshaler).UnmarshalText)
	case isScalar && v.Addr().Type().Implements(shorthandType):
		if err := v.Addr().Interface().(Shorthand).FromScalar(scalarText(scalar)); err != nil {
			d.add(n, key, "%v", err)
		}
	case v.Kind() == reflect.Struct:
		d.fields(n, key, v)
	case v.Kind() == reflect.Slice:
		d.list(n, key, v)
	case v.Kind() == reflect.Array:
		d.array(n, key, v)
	case v.Kind() == reflect.Map:
		d.words(n, key, v)
	default:
		d.basic(n, key, v)
	}
}

func (d *Doc) fields(n ast.Node, key string, v reflect.Value) {
	pairs := d.pairs(n, key, "a block of keys ("+strings.Join(sortedKeys(fieldKeys(v.Type())), ", ")+")")
	d.pairsInto(pairs, key, v)
}

// pairsInto decodes pairs into the fields of a struct; those that it does not name go
// to its field of type Rest, or are problems.
func (d *Doc) pairsInto(pairs []*ast.MappingValueNode, key string, v reflect.Value) {
	known := fieldKeys(v.Type())
	rest := -1
	for i := range v.NumField() {
		if v.Type().Field(i).Type == restType {
			rest = i
		}
	}
	var left []*ast.MappingValueNode
	for _, p := range pairs {
		name := keyText(p)
		index, ok := known[name]
		switch {
		case ok:
			d.at[join(key, name)] = p
			d.value(p.Value, join(key, name), v.FieldByIndex(index))
		case rest >= 0:
			left = append(left, p)
		default:
			d.add(p, join(key, name), "unknown key%s", Suggest(name, sortedKeys(known)))
		}
	}
	if rest >= 0 {
		v.Field(rest).Set(reflect.ValueOf(Rest{file: d.file, key: key, pairs: left}))
	}
}

// fieldKeys is the field of each key that a struct names, those of its inlined
// structs too. The struct's own name wins over one that is inlined.
func fieldKeys(t reflect.Type) map[string][]int {
	known := map[string][]int{}
	for i := range t.NumField() {
		f := t.Field(i)
		name, options, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		switch {
		case !f.IsExported() || name == "-":
		case options == "inline" && f.Type.Kind() == reflect.Struct:
			for inner, index := range fieldKeys(f.Type) {
				if have, ok := known[inner]; !ok || len(have) > 1 {
					known[inner] = append([]int{i}, index...)
				}
			}
		case name != "":
			known[name] = []int{i}
		}
	}
	return known
}

// pairs lists the pairs of a mapping, without those whose key came before.
func (d *Doc) pairs(n ast.Node, key, want string) []*ast.MappingValueNode {
	var all []*ast.MappingValueNode
	switch m := n.(type) {
	case *ast.MappingNode:
		all = m.Values
	case *ast.MappingValueNode:
		all = []*ast.MappingValueNode{m}
	case *ast.AnchorNode:
		return d.pairs(m.Value, key, want)
	default:
		d.add(n, key, "want %s, got %s", want, describe(n))
		return nil
	}
	var once []*ast.MappingValueNode
	for _, p := range all {
		path := join(key, keyText(p))
		if _, merges := p.Key.(*ast.MergeKeyNode); merges {
			d.add(p, path, "blocks are not merged here: write the keys themselves")
			continue
		}
		if strings.HasPrefix(keyText(p), "\u00a0") {
			d.add(p, strings.Trim(path, "\u00a0 "), "a no-break space stands before it: indent with spaces only")
			continue
		}
		if _, twice := d.at[path]; twice {
			d.add(p, path, "is given twice: keep one")
			continue
		}
		d.at[path] = p
		once = append(once, p)
	}
	return once
}

// words decodes a map from text to a scalar.
func (d *Doc) words(n ast.Node, key string, v reflect.Value) {
	v.Set(reflect.MakeMap(v.Type()))
	for _, p := range d.pairs(n, key, "a block of keys and values") {
		e := reflect.New(v.Type().Elem()).Elem()
		d.value(p.Value, join(key, keyText(p)), e)
		if e.Kind() == reflect.Pointer && e.IsNil() {
			continue // has no value, which is a problem already
		}
		v.SetMapIndex(reflect.ValueOf(keyText(p)), e)
	}
}

func (d *Doc) list(n ast.Node, key string, v reflect.Value) {
	seq, ok := n.(*ast.SequenceNode)
	if !ok {
		d.add(n, key, "want a list such as [a, b], got %s", describe(n))
		return
	}
	v.Set(reflect.MakeSlice(v.Type(), len(seq.Values), len(seq.Values)))
	for i, e := range seq.Values {
		path := fmt.Sprintf("%s[%d]", key, i)
		d.at[path] = entry(e)
		d.value(e, path, v.Index(i))
	}
}

func (d *Doc) array(n ast.Node, key string, v reflect.Value) {
	seq, ok := n.(*ast.SequenceNode)
	if !ok || len(seq.Values) != v.Len() {
		got := describe(n)
		if ok {
			got = fmt.Sprintf("%d", len(seq.Values))
		}
		d.add(n, key, "want a list of %d values, got %s", v.Len(), got)
		return
	}
	for i, e := range seq.Values {
		path := fmt.Sprintf("%s[%d]", key, i)
		d.at[path] = entry(e)
		d.value(e, path, v.Index(i))
	}
}

func (d *Doc) basic(n ast.Node, key string, v reflect.Value) {
	switch v.Kind() {
	case reflect.String:
		d.scalar(n, key, "text", func(s []byte) error { v.SetString(string(s)); return nil })
	case reflect.Bool:
		d.scalar(n, key, "true or false", func(s []byte) error {
			text := strings.ToLower(string(s))
			if text != "true" && text != "false" {
				return errWrong
			}
			v.SetBool(text == "true")
			return nil
		})
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		d.scalar(n, key, "a whole number", func(s []byte) error {
			i, err := strconv.ParseInt(string(s), 0, v.Type().Bits())
			if err = errors.Join(err, octal(s)); err == nil {
				v.SetInt(i)
			}
			return err
		})
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		d.scalar(n, key, "a whole number, not negative", func(s []byte) error {
			u, err := strconv.ParseUint(string(s), 0, v.Type().Bits())
			if err = errors.Join(err, octal(s)); err == nil {
				v.SetUint(u)
			}
			return err
		})
	case reflect.Float64:
		d.scalar(n, key, "a number", func(s []byte) error {
			f, err := number(s)
			if err == nil {
				v.SetFloat(f)
			}
			return err
		})
	case reflect.Interface: // handed to somebody else, such as a driver's process
		if err := yaml.NodeToValue(n, v.Addr().Interface()); err != nil {
			d.add(n, key, "%v", err)
		}
	default:
		d.add(n, key, "can't be written in a file") // a field of ours that no text can fill
	}
}

// number reads a finite number.
func number(text []byte) (float64, error) {
	f, err := strconv.ParseFloat(string(text), 64)
	if err == nil && (math.IsNaN(f) || math.IsInf(f, 0)) {
		err = errWrong
	}
	return f, errors.Join(err, octal(text))
}

// errWrong says no more than that a text is not what is wanted.
var errWrong = errors.New("is wrong")

// octal refuses a number with a leading zero: some readers take 010 for 8 and some
// for 10.
func octal(text []byte) error {
	if leadingZero.Match(text) {
		return errWrong
	}
	return nil
}

var (
	leadingZero  = regexp.MustCompile(`^[+-]?0[0-9]`)
	decimalComma = regexp.MustCompile(`^[+-]?[0-9]+,[0-9]+$`)
	fahrenheit   = regexp.MustCompile(`^(?i)(°|deg)? ?F(ahrenheit)?$`)
	withUnit     = regexp.MustCompile(`^[+-]?[0-9]+(?:[.,][0-9]+)?\s*(°?\s*[A-Za-z%µΩ][A-Za-z0-9/%°]*)$`)
)

// remedy is the tail of a message about a text that is no number; empty: the message
// says enough.
func remedy(text string) string {
	switch unit := withUnit.FindStringSubmatch(text); {
	case strings.HasPrefix(strings.ToLower(text), "0x"):
	case leadingZero.MatchString(text):
		return ": leave the leading zero out, which some readers take for octal"
	case decimalComma.MatchString(text):
		return ": the decimal sign is a point, write " + strings.Replace(text, ",", ".", 1)
	case unit != nil && fahrenheit.MatchString(unit[1]):
		return ": write the number alone, and degrees Fahrenheit as degrees Celsius"
	case unit != nil:
		return ": write the number alone, in the unit of the key"
	}
	return ""
}

// scalar hands the text of a scalar to set; want says what would be right, empty:
// set's own error says it.
func (d *Doc) scalar(n ast.Node, key, want string, set func([]byte) error) {
	s, ok := n.(ast.ScalarNode)
	if !ok {
		if want == "" {
			want = "one value"
		}
		d.add(n, key, "want %s, got %s", want, describe(n))
		return
	}
	text := scalarText(s)
	if err := set([]byte(text)); err != nil {
		if want == "" {
			d.add(n, key, "%v", err)
			return
		}
		tail := ""
		if strings.Contains(want, "number") {
			tail = remedy(text)
		}
		d.add(n, key, "want %s, got %q%s", want, text, tail)
	}
}

func scalarText(n ast.ScalarNode) string {
	if lit, ok := n.(*ast.LiteralNode); ok {
		return lit.Value.Value
	}
	return n.GetToken().Value
}

// keyText is a pair's key without quotes.
func keyText(p *ast.MappingValueNode) string {
	if s, ok := p.Key.(ast.ScalarNode); ok {
		return scalarText(s)
	}
	return p.Key.String()
}

func sortedKeys[T any](m map[string]T) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
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

// mostQuoted is how many letters of a wrong value are quoted.
const mostQuoted = 60

func describe(n ast.Node) string {
	switch n.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a block of keys"
	case *ast.SequenceNode:
		return "a list"
	case *ast.NullNode:
		return "nothing"
	}
	text := []rune(firstLine(n.String()))
	if len(text) > mostQuoted {
		text = append(text[:mostQuoted:mostQuoted], []rune("...")...)
	}
	return strconv.Quote(string(text))
}
