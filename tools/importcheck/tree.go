// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// source is one Go file of the module, of whatever build tag.
type source struct {
	name string // slash-separated, from the root
	room string // its folder
	test bool
	tree *ast.File
}

// tree is all source of the module.
type tree struct {
	fset    *token.FileSet
	files   []source
	foreign []string // files of bus that are not Go and that a compiler would take: assembly, C
}

// loadTree parses every Go file below root. testdata and folders that the go command passes over are left out.
func loadTree(root string) (*tree, error) {
	t := &tree{fset: token.NewFileSet()}
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, p)
		if err != nil {
			return fmt.Errorf("name of %s: %w", p, err)
		}
		name := filepath.ToSlash(rel)
		base := d.Name()
		if d.IsDir() {
			skip := base == "testdata" || base == "vendor" || base == "node_modules" || strings.HasPrefix(base, "_") || strings.HasPrefix(base, ".")
			if skip && name != "." {
				return filepath.SkipDir
			}
			return nil
		}
		if strings.HasPrefix(name, "bus/") && slices.Contains([]string{".s", ".S", ".c", ".h", ".syso", ".cc", ".cpp"}, path.Ext(base)) {
			t.foreign = append(t.foreign, name)
		}
		if path.Ext(base) != ".go" {
			return nil
		}
		return t.add(p, name)
	})
	if err != nil {
		return nil, fmt.Errorf("read the source: %w", err)
	}
	if len(t.files) == 0 {
		return nil, fmt.Errorf("no Go file below %s", root)
	}
	return t, nil
}

func (t *tree) add(file, name string) error {
	text, err := os.ReadFile(file) //nolint:gosec // a file of the module
	if err != nil {
		return fmt.Errorf("read source: %w", err)
	}
	parsed, err := parser.ParseFile(t.fset, name, text, parser.ParseComments|parser.SkipObjectResolution)
	if err != nil {
		return fmt.Errorf("parse source: %w", err)
	}
	t.files = append(t.files, source{name: name, room: path.Dir(name), test: strings.HasSuffix(name, "_test.go"), tree: parsed})
	return nil
}

func (t *tree) at(n ast.Node) string {
	p := t.fset.Position(n.Pos())
	return p.Filename + ":" + strconv.Itoa(p.Line)
}

// rooms lists the folders that hold Go.
func (t *tree) rooms() []string {
	var all []string
	for _, s := range t.files {
		all = append(all, s.room)
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// imported is the path of an import.
func imported(spec *ast.ImportSpec) string {
	p, err := strconv.Unquote(spec.Path.Value)
	if err != nil {
		return spec.Path.Value
	}
	return p
}

// matches tells whether p is what pattern names.
func matches(pattern, p string) bool {
	if head, ok := strings.CutSuffix(pattern, "/*"); ok {
		return strings.HasPrefix(p, head+"/")
	}
	return p == pattern
}

// roomTable holds direct imports of non-test files against the picture.
func roomTable(t *tree) []finding {
	var found []finding
	rooms := roomList()
	for _, name := range t.rooms() {
		if name == "." {
			continue // folderNames speaks of it
		}
		i := slices.IndexFunc(rooms, func(r room) bool { return matches(r.path, name) })
		if i < 0 {
			found = append(found, finding{"room", name, "this room is not in the picture", "add it to DEVELOPERS.md and to tools/importcheck/rooms.go, with what it may import"})
			continue
		}
		for _, s := range t.files {
			if s.room != name || s.test {
				continue
			}
			for _, spec := range s.tree.Imports {
				ours, ok := strings.CutPrefix(imported(spec), module+"/")
				if !ok || slices.ContainsFunc(rooms[i].may, func(p string) bool { return matches(p, ours) }) {
					continue
				}
				may := strings.Join(rooms[i].may, ", ")
				if may == "" {
					may = "nothing of ours"
				}
				found = append(found, finding{"room", t.at(spec), name + " may not import " + ours, "it may import: " + may})
			}
		}
	}
	return found
}

// folderNames holds the names of folders with Go in them against the rules of naming.
func folderNames(t *tree) []finding {
	var found []finding
	for _, name := range t.rooms() {
		parts := strings.Split(name, "/")
		if !slices.Contains(topFolders(), parts[0]) {
			found = append(found, finding{"folder", name, "Go outside the rooms of the house", "the root has only " + strings.Join(topFolders(), ", ")})
		}
		for _, part := range parts {
			if slices.Contains(namelessNames(), part) {
				found = append(found, finding{"folder", name, "a folder called " + part, "name it for what it holds, never for its kind"})
			}
		}
		if base := path.Base(name); strings.ToLower(base) != base || strings.ContainsAny(base, "_-") {
			found = append(found, finding{"folder", name, "the name is not one lower-case word", "rename it"})
		}
	}
	return found
}

// loneSetUp keeps link set-up in its one file, tests and other operating systems included.
func loneSetUp(t *tree) []finding {
	var found []finding
	for _, s := range t.files {
		for _, spec := range s.tree.Imports {
			if p := imported(spec); p == setUpPackage && s.name != setUpFile {
				found = append(found, finding{"set-up", t.at(spec), "imports " + p, "only " + setUpFile + " may change a link; it runs as root, in a unit of its own"})
			}
		}
	}
	return found
}
