"""The looks of the page: ink on a slip of paper, ruled lines instead of boxes; no colour but for what is meant."""

CSS = """
:root{--paper:#f8f6f1;--ink:#1c1a17;--soft:#5d574e;--rule:#cdc6b9;--shade:#e9e4d9;--danger:#b0201a;--action:#0b559f;
color-scheme:light;font-family:"Helvetica Neue","Segoe UI",Roboto,Arial,"Liberation Sans",sans-serif;
font-variant-numeric:tabular-nums lining-nums;line-height:1.45;background:var(--paper);color:var(--ink)}
*,*::before,*::after{box-sizing:border-box}
body,h1,h2,h3,p,ul,dl,dd,figure,table,pre{margin:0;padding:0}
body{max-inline-size:74rem;margin-inline:auto;padding:1.2rem clamp(1rem,4vw,3rem) 3rem}
h1,h2,h3,p,li,dd,tbody th,td:last-child{overflow-wrap:anywhere}
th,td{overflow-wrap:break-word}
tbody th{min-inline-size:8.5rem}
header{display:flex;flex-wrap:wrap;justify-content:space-between;gap:0 2rem;color:var(--soft)}
header b{color:var(--ink)}
main{border-block-start:3px double var(--ink);margin-block-start:.6rem;padding-block-start:1rem}
h1{font-size:clamp(1.45rem,1rem + 2.1vw,2.5rem);line-height:1.15;letter-spacing:-.015em;text-wrap:pretty;max-inline-size:34em}
h2{font-size:1.3rem;line-height:1.25;border-block-start:3px double var(--ink);padding-block-start:.5rem;margin-block:2.4rem .7rem}
h3{font-size:1rem;margin-block:1.3rem .35rem}
p,li{max-inline-size:78ch;text-wrap:pretty}
p+p{margin-block-start:.5rem}
ul{padding-inline-start:1.1rem}
li{margin-block:.25rem}
.lede{font-size:1.2rem;margin-block-start:.6rem}
.lede:empty{display:none}
.further{margin-block-start:.9rem;font-size:1.05rem}
.demonstration,.warning{font-weight:700}
.demonstration{max-inline-size:none;border-block:1px dashed var(--soft);padding-block:.25rem;margin-block:.6rem}
p.warning{color:var(--danger);margin-block-start:.8rem}
.absent,.source,.basis{color:var(--soft)}
.source{font-size:.9rem;font-weight:400}
.basis{margin-block-start:.6rem}
a{color:var(--action)}
.wide{overflow-x:auto}
.wide+p,.wide+ul,ul+.wide,p+.wide{margin-block-start:.6rem}
table{border-collapse:collapse;inline-size:100%;font-size:.97rem}
th,td{text-align:start;vertical-align:baseline;font-weight:400;padding:.32rem 1.3rem .32rem 0}
th:last-child,td:last-child{padding-inline-end:0}
tr{border-block-end:1px solid var(--rule)}
thead tr{border-block-end-color:var(--ink);color:var(--soft);font-size:.88rem}
tbody th{font-weight:700}
.number{white-space:nowrap}
.comparison td:nth-child(5){white-space:nowrap}
.comparison td:nth-child(6){color:var(--soft)}
.mark{display:inline-block;inline-size:1em}
.plots,.trials{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(100%,20rem),1fr));gap:1.2rem 2rem;margin-block-start:.9rem}
.plot svg{display:block;inline-size:100%;block-size:auto}
.plot svg *{stroke-linejoin:round;stroke-linecap:butt}
.plot text{font-family:inherit!important}
.trial p{font-size:.9rem;line-height:1.3}
.small{font-size:.9rem}
.small ul{columns:2 24rem;column-gap:2rem}
.small li{break-inside:avoid;margin-block:0 .3rem}
.basis:empty{display:none}
.key{color:var(--soft);font-size:.92rem;margin-block-start:.5rem}
.first{margin-block-start:1.4rem}
.first .plot{max-inline-size:40rem;margin-block-start:1rem}
.facts>div{display:grid;grid-template-columns:minmax(9rem,16rem) 1fr;gap:0 1.2rem;border-block-end:1px solid var(--rule);padding-block:.22rem}
.facts dt{color:var(--soft)}
.parameters{columns:18rem;column-gap:2rem;font-size:.85rem}
.parameters>div{grid-template-columns:auto 1fr;break-inside:avoid}
.parameters dd{text-align:end}
.cautions{list-style:none;padding:0}
.cautions li{border-block-end:1px solid var(--rule);padding-block:.35rem;margin:0;font-weight:400}
.cautions .warning b{color:var(--danger)}
pre{font:.9rem/1.5 ui-monospace,"Liberation Mono",Menlo,Consolas,monospace;white-space:pre-wrap;overflow-wrap:anywhere;
background:var(--shade);padding:.6rem .8rem;margin-block:.8rem}
footer{border-block-start:1px solid var(--rule);margin-block-start:2.5rem;padding-block-start:.5rem;color:var(--soft);font-size:.9rem}
@media (max-width:44rem){
thead{display:block;position:absolute;clip-path:inset(50%);inline-size:1px;block-size:1px;overflow:hidden}
table,tbody,tr,td,tbody th{display:block;padding:0}
tr{padding-block:.5rem}
td{display:grid;grid-template-columns:7.5rem 1fr;gap:0 .6rem}
td::before{content:attr(data-label);color:var(--soft)}
td.empty{display:none}
td,.number{text-align:start;white-space:normal}
tbody th{min-inline-size:0}
.facts>div{grid-template-columns:1fr}
}
@media screen and (min-width:64rem){.comparison{table-layout:fixed}
.comparison thead th:nth-child(1){inline-size:18%}
.comparison thead th:nth-child(5){inline-size:12%}
.comparison thead th:nth-child(6){inline-size:27%}}
@media (min-width:44.01rem){.number{text-align:end}
thead th.number{text-align:end}}
@page{margin:14mm}
@media print{
:root{background:#fff;font-size:10pt}
body{max-inline-size:none;padding:0}
h2,h3{break-after:avoid}
tr,figure,.trial,li,.facts>div,.comparison{break-inside:avoid}
thead{display:table-header-group}
.wide{overflow:visible}
.plots,.trials{grid-template-columns:repeat(2,1fr)}
a{color:inherit;text-decoration:none}
}
""".strip()
