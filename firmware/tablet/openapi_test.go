// SPDX-License-Identifier: Apache-2.0

package tablet_test

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"airhold/firmware/publish"
	"airhold/firmware/tablet"
)

// operation is what the test needs of an operation of the OpenAPI document.
type operation struct {
	Responses  map[string]any `json:"responses"`
	Parameters []struct {
		Name   string `json:"name"`
		In     string `json:"in"`
		Schema struct {
			Enum []string `json:"enum"`
		} `json:"schema"`
	} `json:"parameters"`
}

func openAPI(t *testing.T) map[string]map[string]operation {
	t.Helper()
	files, err := publish.Contract()
	if err != nil {
		t.Fatal(err)
	}
	text, err := fs.ReadFile(files, "openapi.json")
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Paths map[string]map[string]operation `json:"paths"`
	}
	if err := json.Unmarshal(text, &doc); err != nil || len(doc.Paths) == 0 {
		t.Fatalf("openapi.json has %d paths, %v", len(doc.Paths), err)
	}
	return doc.Paths
}

// literals returns the string literals of a folder's Go files that a question picks.
func literals(t *testing.T, folder string, pick func(n ast.Node) (string, bool)) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(folder, "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(f, func(n ast.Node) bool {
			if s, ok := pick(n); ok {
				out = append(out, s)
			}
			return true
		})
	}
	return out
}

func unquoted(e ast.Expr) (string, bool) {
	l, ok := e.(*ast.BasicLit)
	if !ok || l.Kind != token.STRING {
		return "", false
	}
	s, err := strconv.Unquote(l.Value)
	return s, err == nil
}

// routes are the patterns the code hands to its mux. One that is put together from a name stands for files.
func routes(t *testing.T) []string {
	t.Helper()
	return literals(t, ".", func(n ast.Node) (string, bool) {
		c, ok := n.(*ast.CallExpr)
		if !ok || len(c.Args) != 2 {
			return "", false
		}
		f, ok := c.Fun.(*ast.SelectorExpr)
		if !ok || f.Sel.Name != "Handle" && f.Sel.Name != "HandleFunc" {
			return "", false
		}
		if sum, ok := c.Args[0].(*ast.BinaryExpr); ok {
			s, ok := unquoted(sum.X)
			return s + "{file}", ok
		}
		return unquoted(c.Args[0])
	})
}

// Each route of the code is in the OpenAPI document, and each operation of the document is a route.
func TestRoutesAreThoseOfTheContract(t *testing.T) {
	doc := openAPI(t)
	inDoc := map[string]bool{}
	for path, item := range doc {
		for method := range item {
			inDoc[strings.ToUpper(method)+" "+path] = true
		}
	}
	inCode := map[string]bool{}
	for _, r := range routes(t) {
		r = strings.ReplaceAll(r, "{$}", "")
		if r == "GET /{file}" { // the page's own files, named by its HTML
			continue
		}
		inCode[r] = true
		if !inDoc[r] {
			t.Errorf("%s is a route of the code and not in openapi.json", r)
		}
	}
	for r := range inDoc {
		if !inCode[r] {
			t.Errorf("%s is in openapi.json and no route of the code", r)
		}
	}
	if len(inCode) < 15 {
		t.Errorf("only %d routes were found in the code", len(inCode))
	}
}

// What each address answers, with nothing behind it and with a memory, has a status the document names.
func TestStatusesAreThoseOfTheContract(t *testing.T) {
	doc := openAPI(t)
	bare := handler(t, tablet.Options{WS: http.NotFoundHandler(), Contract: fstest.MapFS{"asyncapi.json": {Data: []byte("{}")}}})
	full := handler(t, tablet.Options{Commands: &box{}, Alerts: &alertShelf{}, Exports: &exportDesk{}, Journal: &book{}, Snapshot: said{[]byte("{}"), []byte("[]")}, Contract: fstest.MapFS{"asyncapi.json": {Data: []byte("{}")}}})
	for path, item := range doc {
		if path == "/mqtt" { // its handler is given; firmware/publish tests it
			continue
		}
		target := strings.NewReplacer("{file}", "asyncapi.json", "{verb}", "ack", "{run}", "none", "{paper}", "report").Replace(path)
		for method, op := range item {
			for _, h := range []http.Handler{bare, full} {
				for name, change := range map[string]func(*http.Request){
					"plain": func(*http.Request) {}, "good body": func(r *http.Request) { r.Header.Set("Content-Type", "application/json") },
					"foreign host": func(r *http.Request) { r.Host = "elsewhere.test" },
					"a tablet":     func(r *http.Request) { r.RemoteAddr = "192.168.4.7:1" },
				} {
					body := `{"id":"a","key":"air-leak","tablet":"cab","line":"00ff","seq":1}`
					r := httptest.NewRequestWithContext(t.Context(), strings.ToUpper(method), "http://localhost"+target, strings.NewReader(body))
					r.RemoteAddr = "127.0.0.1:1"
					change(r)
					got := ask(h, r)
					if _, ok := op.Responses[strconv.Itoa(got.StatusCode)]; !ok {
						t.Errorf("%s %s, %s: %d %q, which openapi.json does not name", method, target, name, got.StatusCode, text(t, got))
					}
				}
			}
		}
	}
}

// The verbs of the document are those of the code.
func TestVerbsAreThoseOfTheContract(t *testing.T) {
	var inDoc []string
	for _, p := range openAPI(t)["/api/cmd/{verb}"]["post"].Parameters {
		if p.Name == "verb" {
			inDoc = p.Schema.Enum
		}
	}
	inCode := literals(t, "../alarms", func(n ast.Node) (string, bool) {
		v, ok := n.(*ast.ValueSpec)
		if !ok || len(v.Values) != 1 {
			return "", false
		}
		if typ, ok := v.Type.(*ast.Ident); !ok || typ.Name != "Verb" {
			return "", false
		}
		return unquoted(v.Values[0])
	})
	slices.Sort(inDoc)
	slices.Sort(inCode)
	if !slices.Equal(inDoc, inCode) || len(inCode) == 0 {
		t.Errorf("openapi.json has the verbs %v, the code %v", inDoc, inCode)
	}
	h := handler(t, tablet.Options{Commands: &box{}})
	for _, v := range append(inDoc, "fly") {
		r := post("http://localhost/api/cmd/"+v, `{"id":"a","key":"air-leak","where":"drain","for":"10m","why":"words"}`)
		r.Header.Set("Content-Type", "application/json")
		if got := ask(h, r); (got.StatusCode == http.StatusNotFound) != (v == "fly") {
			t.Errorf("POST /api/cmd/%s = %d %q", v, got.StatusCode, text(t, got))
		}
	}
}
