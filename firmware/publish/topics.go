// SPDX-License-Identifier: Apache-2.0

package publish

import "strings"

const (
	topicRoot       = "airhold/v1/"
	boxClientPrefix = "airhold-box-"
)

// Slug turns a place or a machine's name into a topic segment: lower-case letters, digits, hyphen and underscore.
func Slug(words string) string {
	var b strings.Builder
	gap := false
	for _, r := range strings.ToLower(words) {
		if (r >= 'a' && r <= 'z') || (r >= '0' && r <= '9') || r == '_' {
			if gap && b.Len() > 0 {
				b.WriteByte('-')
			}
			gap = false
			b.WriteRune(r)
			continue
		}
		gap = true
	}
	return b.String()
}

// AlarmTopic returns the topic of an alarm's state below the machine's prefix.
func AlarmTopic(key, where string) string {
	t := "alarm/" + Slug(key)
	if s := Slug(where); s != "" {
		t += "/" + s
	}
	return t
}
