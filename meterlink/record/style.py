"""The style sheet of a report. Text has a contrast of 7 to 1 or more on its ground (WCAG 2.2, 1.4.6)."""

STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0; background: #fff; color: #111; font: 10.5pt/1.35 "Noto Sans", "Liberation Sans", Arial, sans-serif; }
main { max-width: 190mm; margin: 0 auto; padding: 6mm; overflow-wrap: anywhere; }
h1 { font-size: 16pt; margin: 0; } h2 { font-size: 11.5pt; margin: 3.5mm 0 1mm; border-bottom: .3mm solid #111; }
h3 { font-size: 10.5pt; margin: 2mm 0 .5mm; } p { margin: 0 0 1mm; } ul { margin: 0; padding-left: 5mm; }
.letterhead { display: flex; gap: 4mm; align-items: center; margin-bottom: 3mm; }
.logo { max-height: 16mm; max-width: 50mm; }
.firm, .place { font-weight: bold; } .place { font-size: 12pt; }
.sentences { font-size: 11.5pt; } .sentences p { margin-bottom: 1.5mm; }
.facts { display: flex; flex-wrap: wrap; gap: .5mm 6mm; margin: 1mm 0; } .facts div { display: flex; gap: 1.5mm; }
.facts dt { color: #444; white-space: nowrap; } .facts dd { margin: 0; }
.details .facts { display: block; }
.details .facts div { display: grid; grid-template-columns: 37mm 1fr; } .details .facts dd { grid-column: 2; }
table { width: 100%; border-collapse: collapse; }
th, td { text-align: left; vertical-align: top; padding: .7mm 2mm .7mm 0; }
thead th { color: #444; font-weight: normal; border-bottom: .2mm solid #777; }
tbody tr { border-bottom: .1mm solid #bbb; }
tbody th { font-weight: normal; } tr, .part, figure, .details { break-inside: avoid; } h2, h3 { break-after: avoid; }
.small, .ratings { font-size: 9pt; color: #444; font-weight: normal; } .remark { display: block; font-size: 9pt; }
.limits { white-space: nowrap; } .terminals { display: inline-block; }
.mark { display: inline-block; min-width: 1.1em; font-weight: bold; }
th, td { overflow-wrap: normal; } td strong, td del { white-space: nowrap; }
tbody th, .remark, .void { overflow-wrap: anywhere; }
.bad { font-weight: bold; } .void, .void .bad { color: #444; font-weight: normal; } del .mark { display: inline; }
.pairs td, .pairs th { width: 33%; } .short { font-size: 9.5pt; }
.scale { width: 36mm; height: 5.8mm; display: block; }
.photos { display: flex; flex-wrap: wrap; gap: 3mm; } figure { margin: 0; } figcaption { font-size: 9pt; }
figure img { max-height: 45mm; max-width: 85mm; }
.technical figure img { max-height: 90mm; max-width: 178mm; }
@media screen and (max-width: 600px) {
  table, .small { font-size: 8.5pt; } .scale { width: 100%; max-width: 36mm; height: auto; }
  .readings th:nth-child(4), .readings td:nth-child(4) { display: none; }
  .limits { white-space: normal; } .details .facts div { grid-template-columns: 25mm 1fr; }
}
@page { margin: 11mm 13mm; }
@media print {
  main { max-width: none; padding: 0; } body { font-size: 9.5pt; } .sentences { font-size: 10.5pt; }
  .customer { font-size: 9pt; line-height: 1.25; } .customer h2 { margin: 1.6mm 0 .7mm; }
  .customer .small, .customer .ratings, .customer .remark { font-size: 8.3pt; } .customer p { margin-bottom: .6mm; }
  .customer .letterhead { margin-bottom: 1mm; } .customer th, .customer td { padding: .5mm 2mm .5mm 0; }
}
"""
