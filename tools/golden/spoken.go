// SPDX-License-Identifier: Apache-2.0

package golden

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// Spoken finds the sentences that Go files of the test's folder hold: texts from a capital letter to a full stop, put
// together as the code does, with 7 and x for what is put into them. What goes into the log is for nobody's page, and where
// a value begins without a space before it only the room itself can tell how the sentence goes on.
func Spoken(t *testing.T, files ...string) []string {
	t.Helper()
	sentence := regexp.MustCompile(`^[A-Z][^\n]* [^\n]*[.?]$`)
	var all []string
	for _, name := range files {
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if call, ok := n.(*ast.CallExpr); ok && logs(call) {
				return false
			}
			e, ok := n.(ast.Expr)
			if !ok {
				return true
			}
			text, ok := textOf(e)
			if ok && sentence.MatchString(text) {
				all = append(all, text)
			}
			return !ok
		})
	}
	return all
}

// Sources lists the Go files of the test's folder that are no tests.
func Sources(t *testing.T) []string {
	t.Helper()
	list, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, f := range list {
		if name := f.Name(); strings.HasSuffix(name, ".go") && !strings.HasSuffix(name, "_test.go") {
			names = append(names, name)
		}
	}
	return names
}

// logs says whether a call writes into the log: its last name before the method's is one.
func logs(call *ast.CallExpr) bool {
	f, ok := call.Fun.(*ast.SelectorExpr)
	if !ok {
		return false
	}
	switch x := f.X.(type) {
	case *ast.SelectorExpr:
		return strings.EqualFold(x.Sel.Name, "log")
	case *ast.Ident:
		return strings.EqualFold(x.Name, "log")
	}
	return false
}

// textOf is a text as far as the source tells it; false where an expression is none.
func textOf(e ast.Expr) (string, bool) {
	switch e := e.(type) {
	case *ast.BasicLit:
		if e.Kind != token.STRING {
			return "", false
		}
		text, err := strconv.Unquote(e.Value)
		return filled(text), err == nil
	case *ast.BinaryExpr:
		glued := regexp.MustCompile(`[a-z]$`)
		left, ok1 := textOf(e.X)
		right, ok2 := textOf(e.Y)
		if e.Op != token.ADD || !ok1 && !ok2 {
			return "", false
		}
		if !ok1 {
			left = "x"
		}
		if !ok2 {
			right = "x"
			if glued.MatchString(left) {
				right = "\n"
			}
		}
		return left + right, true
	case *ast.CallExpr:
		f, ok := e.Fun.(*ast.SelectorExpr)
		if !ok || f.Sel.Name != "Sprintf" || len(e.Args) == 0 {
			return "", false
		}
		return textOf(e.Args[0])
	}
	return "", false
}

// filled puts 7 and x into the places of a format.
func filled(form string) string {
	verb := regexp.MustCompile(`%[-+0#*.\d]*([a-zA-Z%])`)
	return verb.ReplaceAllStringFunc(form, func(v string) string {
		switch v[len(v)-1] {
		case '%':
			return "%"
		case 'd', 'f', 'g':
			return "7"
		case 'q':
			return `"x"`
		}
		return "x"
	})
}
