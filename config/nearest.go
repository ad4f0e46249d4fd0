// SPDX-License-Identifier: Apache-2.0

package config

import "strings"

// longestName bounds the names that are compared, so that a torn file costs no time.
const longestName = 64

// Nearest returns the known name that word was probably meant to be, "" when none is close.
func Nearest(word string, known []string) string { return nearest(word, known) }

// nearest returns the known name that word was probably meant to be, "" when none is close: at most a third of its
// letters wrong, missing, added or swapped with their neighbour. Of one or two letters only the case may be wrong.
func nearest(word string, known []string) string {
	if word == "" || len(word) > longestName {
		return ""
	}
	best, bestName := len([]rune(word))/3+1, ""
	for _, k := range known {
		if d := distance(strings.ToLower(word), strings.ToLower(k)); d < best {
			best, bestName = d, k
		}
	}
	return bestName
}

// distance counts the single-letter edits from a to b, a swap of neighbours as one (optimal string alignment).
func distance(a, b string) int {
	s, t := []rune(a), []rune(b)
	before, last := make([]int, len(t)+1), make([]int, len(t)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(s); i++ {
		row := make([]int, len(t)+1)
		row[0] = i
		for j := 1; j <= len(t); j++ {
			cost := 1
			if s[i-1] == t[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && s[i-1] == t[j-2] && s[i-2] == t[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last = last, row
	}
	return last[len(t)]
}
