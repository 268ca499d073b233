"""The style sheet of a report: for a screen, and for A4 and Letter alike."""

STYLE = """
:root { color-scheme: light; }
body { font: 15px/1.45 system-ui, sans-serif; color: #1a1a1a; background: #fff; max-width: 60em;
  margin: 1.5em auto; padding: 0 1em; }
h1 { font-size: 1.7em; margin: 0 0 .2em; overflow-wrap: anywhere; }
h2 { font-size: 1.3em; margin: 1.8em 0 .5em; border-bottom: 1px solid #999; overflow-wrap: anywhere; }
h3 { font-size: 1.08em; margin: 1.3em 0 .4em; }
p { margin: .5em 0; overflow-wrap: anywhere; }
.lead { font-size: 1.05em; }
.small, caption, figcaption { font-size: .86em; color: #444; }
table { border-collapse: collapse; width: 100%; margin: .6em 0 1em; font-size: .88em; }
caption { text-align: left; font-weight: 600; padding-bottom: .2em; }
th, td { text-align: left; vertical-align: top; padding: .22em .8em .22em 0; border-bottom: 1px solid #ddd;
  overflow-wrap: break-word; font-variant-numeric: tabular-nums; }
thead th { border-bottom: 1px solid #777; }
table.facts th { width: 12em; font-weight: 600; }
table.facts td { overflow-wrap: anywhere; }
table.bursts, table.frames { font-size: .8em; }
table.bursts th, table.bursts td { padding-right: .55em; }
table.bursts code { font-size: .9em; letter-spacing: -.02em; }
td, figcaption, .text, p { unicode-bidi: plaintext; }
table.bursts td:not(:last-child), table.sheet td:nth-child(-n+2), table.frames td:nth-child(-n+4) { white-space: nowrap; }
code { font-family: ui-monospace, "DejaVu Sans Mono", monospace; font-size: .95em; overflow-wrap: anywhere; }
.bits { min-width: 12em; }
.hand { font-weight: 700; color: #8a3c00; }
.note { border-left: 3px solid #0072B2; padding: .1em .8em; margin: .6em 0; }
.text { white-space: pre-line; overflow-wrap: anywhere; }
.mind { border-left: 3px solid #D55E00; padding-left: .8em; }
figure { margin: .8em 0 1.2em; }
svg { width: 100%; height: auto; display: block; font-family: system-ui, sans-serif; }
footer { margin-top: 2em; border-top: 1px solid #999; }
body { counter-reset: figure; }
figcaption::before { counter-increment: figure; content: "Figure " counter(figure) ". "; font-weight: 600; }
.name { font-style: italic; }
@media screen and (max-width: 48em) { table { display: block; overflow-x: auto; } }
@page {
  margin: 16mm 15mm 18mm;
  @bottom-right { content: counter(page) " / " counter(pages); font: 8pt sans-serif; color: #444; }
}
@media print {
  body { font-size: 9.5pt; max-width: none; margin: 0; padding: 0; }
  h2, h3 { break-after: avoid; }
  figure, tr, .note, .mind { break-inside: avoid; }
  thead { display: table-header-group; }
  tbody tr:nth-child(-n+3), caption { break-after: avoid; }
  tbody tr:nth-last-child(-n+2) { break-before: avoid; }
  .part ~ .part, .long { break-before: page; }
  p { orphans: 3; widows: 3; }
  * { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
}
"""
