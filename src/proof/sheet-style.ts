/** The look of the proof sheet. Colours come in pairs for light and dark; none of them stands alone for a meaning. */
export const SHEET_STYLE = `
:root{--paper:#f6f4ef;--card:#fffefb;--ink:#23282b;--soft:#5c656a;--line:#d9d5cb;--left:#1d5f73;--right:#a5622a;--source:#8a9296;--good:#2f6b46;--bad:#a33a2c;--bad-soft:#f3dfd9;--band:#e7ecdf;--lane:#ebe8e0}
@media (prefers-color-scheme:dark){:root{--paper:#191c1e;--card:#212527;--ink:#e6e3dc;--soft:#a2aaad;--line:#383e41;--left:#74b9cc;--right:#e0a46c;--source:#7d868a;--good:#83c29a;--bad:#ec8d7d;--bad-soft:#452a26;--band:#2a3329;--lane:#2b3033}}
*{box-sizing:border-box}
body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.5 system-ui,-apple-system,"Segoe UI",sans-serif}
main{max-width:980px;margin:0 auto;padding:28px 20px 48px}
.defs{position:absolute}
h2{font-size:1.2rem;font-weight:600;margin:0 0 10px}
h3{font-size:1rem;font-weight:600;margin:14px 0 4px}
p{margin:4px 0}
header,section{background:var(--card);border:1px solid var(--line);border-radius:10px;padding:20px 24px;margin:0 0 18px}
header{border-left:8px solid var(--soft)}
header.pass{border-left-color:var(--good)}
header.fail{border-left-color:var(--bad)}
.verdict{font-size:2rem;font-weight:650;line-height:1.2}
header.pass .verdict,.pass .glyph{color:var(--good)}
header.fail .verdict,.fail .glyph,.flag,.number{color:var(--bad)}
.sentence{font-size:1.05rem}
dl{display:grid;grid-template-columns:repeat(auto-fit,minmax(220px,1fr));gap:8px 24px;margin:14px 0 0}
dt{color:var(--soft);font-size:.85rem}
dd{margin:0;overflow-wrap:anywhere}
.finding{border-top:1px solid var(--line);padding:6px 0 12px}
.finding:first-of-type{border-top:0}
.finding ul{margin:4px 0;padding-left:20px;overflow-wrap:anywhere}
.limit-note,.when,.cite,figcaption,.legend{color:var(--soft);font-size:.88rem;font-weight:400}
.remedy{background:var(--paper);border-radius:6px;padding:8px 12px}
.moments{display:grid;grid-template-columns:repeat(auto-fill,minmax(290px,1fr));gap:14px}
.moment{border:1px solid var(--line);border-radius:8px;padding:8px 12px}
.moment.fails{border-color:var(--bad)}
.moment h3{margin:0}
.views{display:grid;grid-template-columns:1fr 1fr}
.view{margin:0;text-align:center}
.view svg,.chart{width:100%;height:auto;display:block}
polyline{fill:none;stroke-linejoin:round;stroke-linecap:round}
.target polyline{stroke-width:5}
.target .left{stroke:var(--left)}
.target .right{stroke:var(--right);stroke-width:3}
.target .middle{stroke:var(--ink)}
.target .head{fill:var(--card);stroke:var(--ink);stroke-width:3}
.source polyline,.source .head{stroke:var(--source);stroke-width:2;stroke-dasharray:4 3;fill:none}
.floor{stroke:var(--soft);stroke-width:1}
.mark{fill:none;stroke:var(--bad);stroke-width:2.5}
.legend{display:flex;flex-wrap:wrap;gap:4px 8px;align-items:center;margin:2px 0 8px}
.key{display:inline-block;width:22px;height:0;border-top:4px solid;margin-left:8px}
.left-key{border-color:var(--left)}
.right-key{border-top:2px solid var(--right)}
.right-curve-key{border-top:2px dashed var(--right)}
.source-key{border-color:var(--source);border-top:2px dashed var(--source)}
.mark-key{width:16px;height:16px;border:2.5px solid var(--bad);border-radius:50%}
.axis{font:12px system-ui,sans-serif;fill:var(--soft)}
.tick{stroke:var(--soft)}
.grid{stroke:var(--line)}
.lane{fill:var(--lane)}
.band{fill:var(--band)}
.contact.left{fill:var(--left)}
.contact.right{fill:var(--right)}
.contact.bad{fill:url(#hatch);stroke:var(--bad);stroke-width:1.5}
.hatch-ground{fill:var(--bad-soft)}
.hatch-line{stroke:var(--bad);stroke-width:3}
.cross{font:700 13px system-ui,sans-serif;fill:var(--ink);stroke:var(--card);stroke-width:3;paint-order:stroke}
.curve{stroke-width:2}
.curve.left{stroke:var(--left)}
.curve.right{stroke:var(--right);stroke-dasharray:7 3}
.curve.source{stroke:var(--source);stroke-width:1.3;stroke-dasharray:2 3}
.limit{stroke:var(--bad);stroke-width:1.3;stroke-dasharray:10 4}
.limit-text{font:12px system-ui,sans-serif;fill:var(--bad);stroke:var(--card);stroke-width:3;paint-order:stroke}
.scroll{overflow-x:auto}
table{border-collapse:collapse;width:100%}
th,td{text-align:left;vertical-align:top;padding:7px 10px 7px 0;border-top:1px solid var(--line);font-weight:400}
thead th{border-top:0;color:var(--soft);font-size:.88rem}
tbody th{font-weight:550}
.num{font-variant-numeric:tabular-nums;white-space:nowrap}
tr.not-measured td,tr.not-measured th{color:var(--soft)}
details{font-weight:400;font-size:.88rem;color:var(--soft)}
summary{cursor:pointer}
footer{color:var(--soft);font-size:.88rem}
@media print{body{background:#fff}section,header{break-inside:avoid}}
`;
