package convert

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"strings"
	"testing"
)

// TestNothingFuses holds every product of this package's code inside float64(...) or
// inside a further product or quotient, which are themselves looked at. The language
// allows a processor to fuse x*y + z, across statements too, and forbids it for
// float64(x*y) + z; its results would differ from those of a machine without fused
// multiply-add in the last digit.
func TestNothingFuses(t *testing.T) {
	entries, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	products := 0
	for _, e := range entries {
		if !strings.HasSuffix(e.Name(), ".go") || strings.HasSuffix(e.Name(), "_test.go") {
			continue
		}
		fset := token.NewFileSet()
		tree, err := parser.ParseFile(fset, e.Name(), nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		n, bad := loose(tree)
		products += n
		for _, at := range bad {
			t.Errorf("%s: a product that an addition may fuse with: wrap it in float64(...)", fset.Position(at))
		}
	}
	if products < 20 {
		t.Errorf("only %d products found: is the package still here?", products)
	}
}

// loose counts the products of a file and finds those that are not held.
func loose(tree *ast.File) (products int, bad []token.Pos) {
	var stack []ast.Node
	ast.Inspect(tree, func(n ast.Node) bool {
		if n == nil {
			stack = stack[:len(stack)-1]
			return true
		}
		if a, ok := n.(*ast.AssignStmt); ok && a.Tok == token.MUL_ASSIGN {
			bad = append(bad, a.Pos())
		}
		if b, ok := n.(*ast.BinaryExpr); ok && b.Op == token.MUL {
			products++
			if !held(stack) {
				bad = append(bad, b.Pos())
			}
		}
		stack = append(stack, n)
		return true
	})
	return products, bad
}

// held says whether what is above a product rounds it, or is a product again. A
// constant's declaration is exact arithmetic of the compiler.
func held(above []ast.Node) bool {
	for _, n := range above {
		if g, ok := n.(*ast.GenDecl); ok && g.Tok == token.CONST {
			return true
		}
	}
	i := len(above) - 1
	for i >= 0 {
		if _, ok := above[i].(*ast.ParenExpr); !ok {
			break
		}
		i--
	}
	switch n := above[i].(type) {
	case *ast.CallExpr:
		f, ok := n.Fun.(*ast.Ident)
		return ok && f.Name == "float64"
	case *ast.BinaryExpr:
		return n.Op == token.MUL || n.Op == token.QUO
	}
	return false
}

func TestLooseProductsAreFound(t *testing.T) {
	for text, want := range map[string]int{
		"x = a*b + c": 1, "x = float64(a*b) + c": 0, "x *= a": 1, "x = (a*b)/c + d": 0, "x = c - a*b*d": 1,
		"y := a * b": 1, "f(a * b)": 1, "x = float64(a*b*c)": 0, "const k = 2 * 3": 0,
	} {
		tree, err := parser.ParseFile(token.NewFileSet(), "x.go", "package p\nfunc f() {\n"+text+"\n}", 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, bad := loose(tree); len(bad) != want {
			t.Errorf("%s: %d found, want %d", text, len(bad), want)
		}
	}
}
