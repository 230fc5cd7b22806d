"""The style sheet of the HTML report: black on white, sizes in millimetres and points, for screen and paper alike."""

STYLE = """
@page { margin: 11mm }
* { box-sizing: border-box }
body { font: 9pt/1.3 "DejaVu Sans", "Liberation Sans", Verdana, Arial, sans-serif; color: #000; background: #fff;
  max-width: 188mm; margin: 6mm auto; padding: 0 2mm }
header { display: flex; justify-content: space-between; gap: 6mm; border-bottom: .5mm solid #000; padding-bottom: 1mm }
h1 { font-size: 10pt; margin: 0; font-weight: normal }
.who { font-size: 14pt; font-weight: bold; overflow-wrap: anywhere; line-height: 1.15 }
.when { text-align: right; flex: none; max-width: 45%; overflow-wrap: anywhere }
.head { display: flex; gap: 8mm; padding: 1mm 0 }
.head > div { flex: 1 1 0; min-width: 0 }
.number { font-size: 24pt; font-weight: bold; line-height: 1.1; white-space: nowrap }
.number.small { font-size: 11pt; font-weight: normal }
.number small { font-size: 9pt; font-weight: normal }
.verdict { font-weight: bold; font-size: 10pt; margin: 1mm 0 0 }
.short { border: .5mm solid #000; padding: .8mm 1.5mm; font-weight: bold }
p { margin: .5mm 0 }
h2 { font-size: 9.5pt; margin: 1.2mm 0 .4mm; border-bottom: .2mm solid #888 }
table { border-collapse: collapse; width: 100%; table-layout: fixed }
td, th { padding: 0 1.5mm 0 0; vertical-align: top; text-align: left; font-weight: normal; overflow-wrap: anywhere }
th[scope=row] { width: 35% }
.compare { table-layout: auto }
.compare td, .compare th { text-align: right; width: auto; white-space: nowrap }
.compare th:first-child { text-align: left }
.columns { display: flex; gap: 8mm }
.columns > div { flex: 1 1 0; min-width: 0 }
svg { display: block; width: 100%; height: auto }
footer { border-top: .3mm solid #000; margin-top: 1.5mm; padding-top: .5mm }
.caution { font-weight: bold }
.rule { font-size: 7.5pt; overflow-wrap: anywhere }
.print78 { --print: 7.8pt } .print73 { --print: 7.3pt } .print68 { --print: 6.8pt } .print64 { --print: 6.4pt }
.print60 { --print: 6pt } .print56 { --print: 5.6pt } .print52 { --print: 5.2pt }
@media print { body { margin: 0 auto; padding: 0; font-size: var(--print); line-height: 1.24 }
  .rule { font-size: .82em } h2 { font-size: 1.08em } .verdict { font-size: 1.15em } .who { font-size: 1.8em }
  .number { font-size: 2.7em } .number.small { font-size: 1.3em } 
  .number small { font-size: 9pt } h1 { font-size: 1.1em } }
@media (max-width: 40em) { .head, .columns { flex-direction: column; gap: 2mm } }
"""
