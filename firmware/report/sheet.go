// SPDX-License-Identifier: Apache-2.0

package report

import (
	"fmt"
	"html/template"
	"io"
)

// HTML writes the sheet: one HTML file in UTF-8 that needs nothing else and prints on one side of A4 or US Letter. Long
// names are cut and long lists end with a count of what was left out. Its error is the writer's.
func HTML(w io.Writer, in Input) error {
	t, err := template.New("sheet").Parse(page)
	if err != nil {
		return fmt.Errorf("read the sheet's own form: %w", err)
	}
	if err := t.Execute(w, in.view()); err != nil {
		return fmt.Errorf("write the sheet: %w", err)
	}
	return nil
}

// page is well-formed XML too, so that other programs can read the sheet. Nothing on it needs a printed background, and
// no word depends on colour.
const page = `<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8"/>
<meta name="viewport" content="width=device-width, initial-scale=1"/>
<title>{{.Headline}}: {{.Machine}}{{if .Simulated}} (simulated){{end}}</title>
<style>
@page { margin: 7mm 11mm; }
* { box-sizing: border-box; }
html { color-scheme: light; }
body { margin: 0 auto; max-width: 190mm; padding: 4mm 0; background: #fff; color: #0E1418;
  font: 500 7.3pt/1.22 Inter, system-ui, -apple-system, "Segoe UI", Roboto, "Noto Sans", "DejaVu Sans", sans-serif;
  font-variant-numeric: tabular-nums lining-nums; overflow-wrap: anywhere; }
.packed { zoom: 0.8; max-width: 240mm; }
.tight { font-size: 7pt; line-height: 1.2; }
.tight h2, .tight small, .tight th, .tight .note, .tight .facts dt { font-size: 6.4pt; }
.tight figure { width: 92%; }
@media print { body { padding: 0; max-width: none; } }
h1, h2, p, ul, ol, dl, dd, figure, table { margin: 0; padding: 0; }
h1 { font-size: 20pt; line-height: 1.1; font-weight: 700; letter-spacing: -0.02em; }
h2 { font-size: 7.5pt; font-weight: 700; border-top: 1pt solid #0E1418; padding-top: 1.6pt; margin: 0 0 1.5pt; }
section { margin-top: 4pt; break-inside: avoid; }
small, th, .note { font-size: 6.5pt; color: #3A454D; font-weight: 500; }
.top { display: flex; justify-content: space-between; align-items: flex-start; gap: 6mm; }
.top p { font-weight: 700; font-size: 9.5pt; }
.stamp { flex: none; border: 1.6pt solid #0E1418; padding: 1.5pt 5pt; font-weight: 700; text-align: center; }
.facts { display: grid; grid-template-columns: 1.7fr 1fr 1.1fr 1.1fr 0.9fr; gap: 0 4mm; border-top: 1pt solid #86919A; margin: 3pt 0 5pt; padding-top: 2pt; }
.facts dt { font-size: 6.5pt; color: #3A454D; }
.sure { font-size: 8.6pt; margin-top: 2pt; }
.reasons { list-style: none; margin-top: 1.5pt; }
figure { margin-top: 3pt; }
svg { display: block; width: 100%; height: auto; font-family: inherit; }
table { width: 100%; border-collapse: collapse; }
th { text-align: left; font-weight: 500; vertical-align: bottom; padding: 0 1.5mm 1pt 0; }
td { vertical-align: top; border-top: 0.5pt solid #86919A; padding: 1.2pt 1.5mm 1.2pt 0; }
.n { text-align: right; padding-right: 0; padding-left: 2mm; }
.n, .w { white-space: nowrap; }
.more td { border-top: 0; padding-top: 0; }
.figures td b { font-size: 10pt; }
.figures .was b { font-weight: 500; }
.figures td { padding-top: 0.8pt; padding-bottom: 0.8pt; }
.two { display: grid; grid-template-columns: minmax(0, 1.25fr) minmax(0, 1fr); gap: 0 6mm; }
.even { grid-template-columns: minmax(0, 1fr) minmax(0, 1fr); }
.steps { display: flex; gap: 2mm; list-style: none; }
.steps li { flex: 1; border-top: 2.2pt solid #3A454D; padding-top: 1pt; }
.list { padding-left: 3mm; }
.list li { margin-bottom: 0.3pt; }
footer { display: flex; justify-content: space-between; border-top: 0.5pt solid #86919A; margin-top: 4pt; padding-top: 1.5pt; }
</style>
</head>
<body class="{{.Size}}">
<header>
<div class="top"><p>Leak-down test: {{.Machine}}</p>{{if .Simulated}}<div class="stamp">SIMULATED<br/><small>no real machine was tested</small></div>{{end}}</div>
<dl class="facts">
<div><dt>when</dt><dd>{{.When}}</dd></div>
<div><dt>tested by</dt><dd>{{.By}}</dd></div>
<div><dt>place</dt><dd>{{.Place}}</dd></div>
<div><dt>test</dt><dd>{{.Run}}</dd></div>
<div><dt>software</dt><dd>{{.Software}}</dd></div>
</dl>
<h1 id="verdict">{{.Headline}}</h1>
<p class="sure" id="sure">{{range .Sure}}{{.}} {{end}}</p>
{{if .Reasons}}<ul class="reasons" id="reasons">{{range .Reasons}}<li>{{.}}</li>{{end}}</ul>{{end}}
</header>
<figure id="curve">{{.Drawing}}<figcaption class="note">{{.Caption}} Watched: {{.Watched}}.</figcaption></figure>
<div class="two">
<section id="figures" class="figures">
<h2>What was found{{if .HasBefore}}, before and now{{end}}</h2>
<table>
<tr><th></th>{{if .HasBefore}}<th class="n">before<br/>{{.BeforeAt}}</th>{{end}}<th class="n">now<br/>{{.NowAt}}</th></tr>
{{$before := .HasBefore}}{{range .Rows}}<tr><td>{{.Name}}{{if .Note}}<br/><small>{{.Note}}</small>{{end}}</td>
{{if $before}}<td class="n was">{{template "figure" .Before}}</td>{{end}}<td class="n">{{template "figure" .Now}}</td></tr>
{{end}}</table>
<p class="note">{{.Meaning}}{{if not .HasBefore}} No earlier test of this place is kept.{{end}}</p>
{{if .Compare}}<p id="compare"><b>{{.Compare}}</b></p>{{end}}
</section>
<div>
{{if or .Paths .CannotTell}}<section id="paths">
<h2>Where it leaks</h2>
{{if .Paths}}<table><tr><th>place</th><th class="n">leak, 95 % interval</th><th class="n">chance</th></tr>
{{range .Paths}}<tr><td>{{.Where}}</td><td class="n">{{.Leak}}</td><td class="n">{{.Chance}}</td></tr>
{{if .Includes}}<tr class="more"><td colspan="3"><small>{{.Includes}}</small></td></tr>
{{end}}{{end}}</table>{{end}}
{{if .CannotTell}}<p id="cannot-tell">{{.CannotTell}}</p>{{end}}
</section>{{end}}
<section id="budget">
<h2>What makes the leak uncertain</h2>
{{if .Budget}}<table><tr><th>source, largest first</th><th class="n">standard uncertainty</th><th class="n">share</th></tr>
{{range .Budget}}<tr><td>{{.Words}}</td><td class="n">{{.U}}</td><td class="n">{{.Share}}</td></tr>
{{end}}<tr><td>Together</td><td class="n">{{.Together}}</td><td class="n"></td></tr></table>{{else}}<p>No budget: nothing was estimated.</p>{{end}}
{{if .Help}}<p id="help"><b>To narrow it:</b> {{.Help}}</p>{{end}}
</section>
</div>
</div>
<section id="instruments">
<h2>Instruments{{if lt (len .Instruments) .OfInstruments}} ({{len .Instruments}} of {{.OfInstruments}}){{end}}</h2>
{{if .Instruments}}<table><tr><th>channel</th><th>sensor</th><th>calibrated</th><th>against</th><th>uncertainty</th></tr>
{{range .Instruments}}<tr><td>{{.Channel}}</td><td>{{.Sensor}}</td><td class="w">{{.Calibrated}}</td><td>{{.Against}}</td><td>{{.Uncertainty}}</td></tr>
{{end}}</table>{{else}}<p>Instruments and their calibration: not recorded.</p>{{end}}
</section>
<section id="steps" aria-label="Steps">
{{if .Steps}}<ol class="steps">{{range .Steps}}<li><b>{{.Words}}</b>{{if .At}} {{.At}}{{end}}{{if .Note}}<br/><small>{{.Note}}</small>{{end}}</li>{{end}}</ol>{{else}}<p><b>Steps:</b> not recorded; readings were judged afterwards.</p>{{end}}
</section>
{{if .History}}<section id="history">
<h2>Earlier tests of this place{{if lt (len .History) .OfHistory}} ({{len .History}} of {{.OfHistory}}){{end}}</h2>
<table><tr><th>when</th><th>outcome</th><th>leak, 95 % interval</th><th>limit</th><th>by</th></tr>
{{range .History}}<tr><td>{{.At}}</td><td>{{.Outcome}}</td><td>{{.Leak}}</td><td>{{.Limit}}</td><td>{{.By}}</td></tr>
{{end}}</table>
</section>{{end}}
<div class="two even">
<section id="silent"><h2>What this test does not say</h2><ul class="list">{{range .Silent}}<li>{{.}}</li>{{end}}</ul></section>
<section id="cautions"><h2>Before anyone works on it</h2><ul class="list">{{range .Cautions}}<li>{{.}}</li>{{end}}</ul></section>
</div>
<footer class="note"><span>compressed air{{if .Simulated}}, simulated{{end}}</span><span>L/min ANR: free air at 100 kPa, 20 °C, 65 % humidity (ISO 8778)</span></footer>
</body>
</html>
{{define "figure"}}<b>{{.Text}}</b>{{if .Band}} ({{.Band}}){{end}}{{if .Also}}<br/><small>{{.Also}}{{if .AlsoBand}} ({{.AlsoBand}}){{end}}</small>{{end}}{{end}}`
