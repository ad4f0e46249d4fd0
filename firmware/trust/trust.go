// SPDX-License-Identifier: Apache-2.0

package trust

import "strings"

func isBox(id string) bool { return strings.Contains(id, ".") }
