// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"slices"
	"strings"
)

// graph is who imports whom, the standard library included.
type graph map[string][]string

// loadGraph asks the go command for the graph of a Linux build, which is where wires are.
func loadGraph(ctx context.Context, root string) (graph, error) {
	list := exec.CommandContext(ctx, "go", "list", "-deps", "-json=ImportPath,Imports,Error", "./...")
	list.Dir = root
	list.Env = append(os.Environ(), "GOOS=linux", "CGO_ENABLED=0")
	var complaints bytes.Buffer
	list.Stderr = &complaints
	out, err := list.Output()
	if err != nil {
		return nil, fmt.Errorf("go list: %w\n%s", err, complaints.String())
	}
	g := graph{}
	for dec := json.NewDecoder(bytes.NewReader(out)); ; {
		var p struct {
			ImportPath string
			Imports    []string
			Error      *struct{ Err string }
		}
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return g, nil
		} else if err != nil {
			return nil, fmt.Errorf("answer of go list: %w", err)
		}
		if p.Error != nil {
			return nil, fmt.Errorf("go list: %s: %s", p.ImportPath, p.Error.Err)
		}
		g[p.ImportPath] = p.Imports
	}
}

// chain is the shortest import path from start to a package that to accepts, both ends included; nil when there is none.
func (g graph) chain(start string, to func(string) bool) []string {
	before := map[string]string{start: ""}
	for queue := []string{start}; len(queue) > 0; queue = queue[1:] {
		at := queue[0]
		if to(at) {
			var path []string
			for p := at; p != ""; p = before[p] {
				path = append(path, p)
			}
			slices.Reverse(path)
			return path
		}
		for _, next := range g[at] {
			if _, seen := before[next]; !seen {
				before[next] = at
				queue = append(queue, next)
			}
		}
	}
	return nil
}

// noWayBack finds import paths from an outlet to a wire. Imports of our files under other build tags count as well.
func noWayBack(g graph, t *tree) []finding {
	all := maps.Clone(g)
	for _, s := range t.files {
		if s.test {
			continue
		}
		p := module + "/" + s.room
		all[p] = slices.Clone(all[p])
		for _, spec := range s.tree.Imports {
			all[p] = append(all[p], imported(spec))
		}
	}
	var found []finding
	for _, quiet := range quietRooms() {
		start := module + "/" + quiet
		if _, ok := all[start]; !ok {
			found = append(found, finding{"no way back", quiet, "this room does not exist, so the rule checks nothing", "name the outlets in tools/importcheck/rooms.go"})
			continue
		}
		below := slices.Sorted(maps.Keys(all))
		for _, from := range below {
			if from != start && !strings.HasPrefix(from, start+"/") {
				continue
			}
			for _, wire := range wirePackages() {
				head := strings.TrimSuffix(wire, "/*")
				path := all.chain(from, func(p string) bool { return p == head || matches(wire, p) })
				if path != nil {
					found = append(found, finding{
						"no way back", strings.TrimPrefix(from, module+"/"), "an import path leads to a wire: " + strings.Join(path, " -> "),
						"an outlet must not reach a wire; declare the interface it needs where it is used",
					})
				}
			}
		}
	}
	return found
}
