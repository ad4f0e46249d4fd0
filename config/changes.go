// SPDX-License-Identifier: Apache-2.0

package config

import (
	"fmt"
	"maps"
	"slices"
	"strconv"

	"github.com/goccy/go-yaml"
)

// Change is one setting that two machine files write differently.
type Change struct {
	Path     string // "alarms.tank-low.on_delay", "ranks.front.volume"
	From, To string // as written; empty: not written, so the default holds
}

// Changes lists the settings in which two accepted machine files differ, by their paths in order. Comments, order and
// layout are no settings. A text that cannot be read is an error.
func Changes(before, after []byte) ([]Change, error) {
	was, err := settings(before)
	if err != nil {
		return nil, fmt.Errorf("the earlier machine file: %w", err)
	}
	now, err := settings(after)
	if err != nil {
		return nil, fmt.Errorf("the present machine file: %w", err)
	}
	all := map[string]bool{}
	for p := range was {
		all[p] = true
	}
	for p := range now {
		all[p] = true
	}
	var out []Change
	for _, p := range slices.Sorted(maps.Keys(all)) {
		if was[p] != now[p] {
			out = append(out, Change{p, was[p], now[p]})
		}
	}
	return out, nil
}

// settings lists all values of a file by their paths. Entries of a list that have a name go by it.
func settings(text []byte) (out map[string]string, err error) {
	defer func() { // as in parseBytes
		if fault := recover(); fault != nil {
			out, err = nil, fmt.Errorf("%v", fault)
		}
	}()
	var top any
	if err := yaml.Unmarshal(text, &top); err != nil {
		return nil, err
	}
	out = map[string]string{}
	collect(out, "", top)
	return out, nil
}

func collect(out map[string]string, path string, v any) {
	below := func(key string, v any) {
		if path != "" {
			key = path + "." + key
		}
		collect(out, key, v)
	}
	switch v := v.(type) {
	case map[string]any:
		for k, v := range v {
			below(k, v)
		}
	case []any:
		for i, v := range v {
			key := strconv.Itoa(i + 1)
			if m, ok := v.(map[string]any); ok {
				if name, ok := m["name"].(string); ok {
					key = name
				}
			}
			below(key, v)
		}
	case nil:
	default:
		out[path] = fmt.Sprint(v)
	}
}
