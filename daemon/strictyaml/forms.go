package strictyaml

import (
	"reflect"

	"github.com/goccy/go-yaml/ast"
)

// nodeDecoder is a type that reads a node by itself.
type nodeDecoder interface {
	decodeNode(d *Doc, n ast.Node, key string)
}

// Table is a mapping whose keys are names that the writer chose, in the order of
// the file.
type Table[T any] struct {
	Names  []string
	Values map[string]*T
}

func (t *Table[T]) decodeNode(d *Doc, n ast.Node, key string) {
	t.Values = map[string]*T{}
	for _, p := range d.pairs(n, key, "a block with one key for each name") {
		name, v := keyText(p), new(T)
		d.value(p.Value, join(key, name), reflect.ValueOf(v).Elem())
		t.Values[name] = v
		t.Names = append(t.Names, name)
	}
}

// Listed is written either as a list of L or, in short, as a block of S by name.
type Listed[L, S any] struct {
	List  []L
	Short Table[S]
}

func (l *Listed[L, S]) decodeNode(d *Doc, n ast.Node, key string) {
	if _, ok := n.(*ast.SequenceNode); ok {
		d.list(n, key, reflect.ValueOf(&l.List).Elem())
		return
	}
	l.Short.decodeNode(d, n, key)
}

// Words is a list of words, or a block of words each with what it stands for. In a
// list they stand for "".
type Words struct {
	Names  []string
	Values map[string]string
}

func (w *Words) decodeNode(d *Doc, n ast.Node, key string) {
	w.Values = map[string]string{}
	if _, ok := n.(*ast.SequenceNode); ok {
		d.list(n, key, reflect.ValueOf(&w.Names).Elem())
		for _, name := range w.Names {
			w.Values[name] = ""
		}
		return
	}
	for _, p := range d.pairs(n, key, "a list of words") {
		var text string
		d.value(p.Value, join(key, keyText(p)), reflect.ValueOf(&text).Elem())
		w.Names = append(w.Names, keyText(p))
		w.Values[keyText(p)] = text
	}
}

// Numbers is one number or a list of numbers.
type Numbers []float64

func (ns *Numbers) decodeNode(d *Doc, n ast.Node, key string) {
	if _, ok := n.(*ast.SequenceNode); ok {
		var list []float64
		d.list(n, key, reflect.ValueOf(&list).Elem())
		*ns = list
		return
	}
	d.scalar(n, key, "a number", func(s []byte) error {
		v, err := number(s)
		*ns = Numbers{v}
		return err
	})
}
