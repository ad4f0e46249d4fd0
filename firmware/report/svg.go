// SPDX-License-Identifier: Apache-2.0

package report

import (
	"fmt"
	"html/template"
	"strings"
)

// svg writes the drawing for the sheet. Every text is escaped, every number is one: what comes out is safe to place into
// HTML as it is.
func (p *plot) svg(title string) template.HTML {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg viewBox="0 0 %.0f %.0f" role="img" aria-label="%s">`, p.width, p.height, template.HTMLEscapeString(title))
	for _, s := range p.shapes {
		b.WriteString(`<path d="`)
		for i, q := range s.Points {
			letter := byte('L')
			if i == 0 {
				letter = 'M'
			}
			fmt.Fprintf(&b, "%c%.2f %.2f", letter, q.x, q.y)
		}
		if s.Filled {
			fmt.Fprintf(&b, `Z" fill="%s"`, s.Ink)
		} else {
			fmt.Fprintf(&b, `" fill="none" stroke="%s" stroke-width="%.2f" stroke-linejoin="round"`, s.Ink, s.Width)
		}
		if len(s.Dash) > 0 {
			b.WriteString(` stroke-dasharray="` + strings.Trim(fmt.Sprintf("%.2f", s.Dash), "[]") + `"`)
		}
		fmt.Fprintf(&b, ` data-part="%s"></path>`, template.HTMLEscapeString(s.Name))
	}
	for _, l := range p.labels {
		anchor := [...]string{"start", "middle", "end"}[l.Align+1]
		weight := ""
		if l.Bold {
			weight = ` font-weight="700"`
		}
		fmt.Fprintf(&b, `<text x="%.2f" y="%.2f" text-anchor="%s" font-size="%.2f"%s fill="%s">%s</text>`,
			l.At.x, l.At.y, anchor, l.Size, weight, l.Ink, template.HTMLEscapeString(l.Text))
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) //nolint:gosec // every text went through HTMLEscapeString above, the rest is numbers
}
