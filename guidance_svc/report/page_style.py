"""The style sheet of the report page: both colour schemes, phone, paper."""

STYLE = """
:root{--page:#fbfbf9;--card:#ffffff}
@media (prefers-color-scheme: dark){:root{--page:#14181d;--card:#1a2027;--ink:#e4e9ee;--quiet:#a3aeb9;--grid:#313a44;
--band:#252e38;--flown:#78b7f5;--asked:#f2a25c;--second:#4fc9ab;--third:#c6a2f2;--muted:#97a3af}}
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%}
body{margin:0;background:var(--page);color:var(--ink)}
body{font:15px/1.55 "Helvetica Neue",Arial,"Liberation Sans",sans-serif}
main{max-width:76rem;margin:0 auto;padding:2.5rem 1.25rem 4rem}
h1,h2,h3{font-family:Georgia,"Liberation Serif",serif;font-weight:400;line-height:1.2}
h1{font-size:2.1rem;margin:0 0 .4rem}
h2{font-size:1.6rem;margin:3.2rem 0 .6rem;padding-top:1rem;border-top:2px solid var(--ink)}
h3{font-size:1.15rem;margin:2.2rem 0 .5rem}
p{margin:.35rem 0;max-width:60rem}
a{color:var(--flown)}
.facts,.key,footer{color:var(--quiet)}
.key{font-size:.86rem}
.lead{font-size:1.1rem}
.caution{border-left:3px solid var(--asked);padding-left:.7rem;margin:1rem 0 0}
.remark{border-left:3px solid var(--third);padding-left:.7rem}
.grid{display:grid;gap:1.1rem 1.4rem;grid-template-columns:repeat(auto-fill,minmax(min(100%,21.5rem),1fr))}
.wide{display:grid;gap:1.2rem;margin:1.2rem 0}
figure{margin:0;background:var(--card);border:1px solid var(--grid);border-radius:3px}
figure{padding:.65rem .7rem .3rem;min-width:0}
figcaption{font-size:.95rem;line-height:1.3;margin-bottom:.2rem}
svg{display:block;width:100%;height:auto}
svg text{font-family:"Helvetica Neue",Arial,"Liberation Sans",sans-serif!important}
.pair{display:grid;gap:0 3rem;grid-template-columns:repeat(auto-fit,minmax(min(100%,24rem),max-content))}
.all td{white-space:nowrap}
.scroll{overflow-x:auto}
table{border-collapse:collapse;font-size:.9rem;font-variant-numeric:tabular-nums}
th{font-weight:400;color:var(--quiet);text-align:left;vertical-align:bottom;border-bottom:1px solid var(--quiet)}
td{border-bottom:1px solid var(--grid);vertical-align:top}
th,td{padding:.26rem 1.1rem .26rem 0}
th:last-child,td:last-child{padding-right:0}
.n{text-align:right;white-space:nowrap}
.card table{width:100%}
.card tr:last-child td{border-bottom:0}
.card td:last-child{width:45%}
.bar{display:block;height:.75rem;margin-top:.28rem;background:var(--band)}
.bar span{display:block;height:100%;background:var(--flown)}
.notes{padding-left:1.1rem;max-width:60rem}
footer{margin-top:3rem;border-top:1px solid var(--grid);padding-top:.8rem;font-size:.9rem}
@media (max-width:34rem){main{padding:1.4rem .8rem 3rem}h1{font-size:1.6rem}h2{font-size:1.35rem}
.wide svg{width:58rem;max-width:none}th,td{padding-right:.8rem}}
@media print{:root{--page:#fff;--card:#fff;--ink:#000;--quiet:#444;--grid:#ccc;--band:#eee;--flown:#0b5cad;
--asked:#b8480a;--second:#0a7a63;--third:#7a3fb3;--muted:#666}
body{font-size:11px}main{max-width:none;padding:0}.vehicle{break-before:page}
figure,tr{break-inside:avoid}h2,h3{break-after:avoid}.grid{grid-template-columns:repeat(2,1fr)}.scroll{overflow:visible}
*{-webkit-print-color-adjust:exact;print-color-adjust:exact}}
"""
