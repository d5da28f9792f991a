/** The look of the proof sheet. Colours come in pairs for light and dark; none of them stands alone for a meaning. */
export const SHEET_STYLE = `
:root{--paper:#f6f4ef;--card:#fffefb;--ink:#23282b;--soft:#5c656a;--line:#d9d5cb;--left:#1d5f73;--right:#a5622a;--source:#8a9296;--good:#2f6b46;--bad:#a33a2c;--bad-soft:#f3dfd9;--band:#e7ecdf;--lane:#ebe8e0;--skin:#e4ded1}
@media (prefers-color-scheme:dark){:root{--paper:#191c1e;--card:#212527;--ink:#e6e3dc;--soft:#a2aaad;--line:#383e41;--left:#74b9cc;--right:#e0a46c;--source:#7d868a;--good:#83c29a;--bad:#ec8d7d;--bad-soft:#452a26;--band:#2a3329;--lane:#2b3033;--skin:#343a3d}}
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
.finding:first-of-type h3{margin-top:0}
.finding ul{margin:4px 0;padding-left:20px;overflow-wrap:anywhere}
.limit-note,.when,.cite,figcaption,.legend{color:var(--soft);font-size:.88rem;font-weight:400}
.remedy{background:var(--paper);border-radius:6px;padding:8px 12px}
.rig{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,360px),1fr));gap:0 28px}
.rig .finding:first-of-type{border-top:1px solid var(--line)}
.rig .finding:first-of-type h3{margin-top:14px}
.rig-picture{max-width:540px;margin:10px auto}
.rig-picture svg{width:100%;height:auto;display:block}
.number-mark{display:inline-block;min-width:1.6em;text-align:center;border:1.5px solid var(--ink);border-radius:.8em;font-size:.85rem;font-weight:650}
.severity{font-size:.85rem;font-weight:600;color:var(--soft)}
.fault .severity{color:var(--bad)}
.lead{stroke:var(--bad);stroke-width:.7}
.dot{fill:var(--bad);stroke:var(--card);stroke-width:1}
.call{font:600 13px system-ui,sans-serif;fill:var(--ink)}
.notes{list-style:none;padding:0;margin:0}
.notes li{padding:3px 0;overflow-wrap:anywhere}
.moments{display:grid;grid-template-columns:repeat(auto-fill,minmax(290px,1fr));gap:14px}
.moment{border:1px solid var(--line);border-radius:8px;padding:8px 12px}
.moment.fails{border-color:var(--bad)}
.moment h3{margin:0}
.views{display:grid;grid-template-columns:1fr 1fr}
.view{margin:0;text-align:center}
.view svg{width:100%;height:auto;display:block}
polyline{fill:none;stroke-linejoin:round;stroke-linecap:round}
.target polyline{stroke-width:5}
.target .left{stroke:var(--left)}
.target .right{stroke:var(--right);stroke-width:3}
.target .middle{stroke:var(--ink)}
.target .head{fill:var(--card);stroke:var(--ink);stroke-width:3}
.source polyline,.source .head{stroke:var(--source);stroke-width:2;stroke-dasharray:4 3;fill:none}
.skin{fill:var(--skin)}
.torn{fill:none;stroke:var(--bad);stroke-width:.8}
.floor{stroke:var(--soft);stroke-width:1}
.mark{fill:none;stroke:var(--bad);stroke-width:2.5}
.legend{display:flex;flex-wrap:wrap;gap:4px 8px;align-items:center;margin:2px 0 8px}
.key{display:inline-block;width:22px;height:0;border-top:4px solid;margin-left:8px}
.left-key{border-color:var(--left)}
.right-key{border-top:2px solid var(--right)}
.right-curve-key{border-top:2px dashed var(--right)}
.source-key{border-color:var(--source);border-top:2px dashed var(--source)}
.torn-key{border-top:2px solid var(--bad)}
.mark-key{width:16px;height:16px;border:2.5px solid var(--bad);border-radius:50%}
.chart{display:grid;grid-template-columns:66px 1fr;column-gap:8px;margin:6px 0;font-size:.75rem;color:var(--soft)}
.values,.times,.plot{position:relative}
.values span,.times span,.cross,.limit-text{position:absolute;white-space:nowrap;line-height:1}
.values span{right:0;transform:translateY(-50%)}
.times{grid-column:2;height:20px}
.times span{top:4px;transform:translateX(-50%)}
.plot{border-bottom:1px solid var(--soft)}
.plot svg{position:absolute;width:100%;height:100%;overflow:visible}
.plot line,.plot polyline,.plot rect{vector-effect:non-scaling-stroke}
.tick{stroke:var(--soft)}
.grid{stroke:var(--line)}
.lane{fill:var(--lane)}
.band{fill:var(--band)}
.contact.left{fill:var(--left)}
.contact.right{fill:var(--right)}
.contact.bad{fill:url(#hatch);stroke:var(--bad);stroke-width:1.5}
.hatch-ground{fill:var(--bad-soft)}
.hatch-line{stroke:var(--bad);stroke-width:3}
.cross{transform:translate(-50%,-50%);font-size:.8rem;font-weight:700;color:var(--ink);background:var(--card);border-radius:50%;padding:1px 3px}
.curve{stroke-width:2}
.curve.left{stroke:var(--left)}
.curve.right{stroke:var(--right);stroke-dasharray:7 3}
.curve.source{stroke:var(--source);stroke-width:1.3;stroke-dasharray:2 3}
.limit{stroke:var(--bad);stroke-width:1.3;stroke-dasharray:10 4}
.limit-text{right:4px;padding:1px 4px;border-radius:3px;color:var(--bad);background:color-mix(in srgb,var(--card) 80%,transparent);transform:translateY(-100%)}
.limit-text.under{transform:none}
.scroll{overflow-x:auto}
table{border-collapse:collapse;width:100%}
th,td{text-align:left;vertical-align:top;padding:7px 10px 7px 0;border-top:1px solid var(--line);font-weight:400}
thead th{border-top:0;color:var(--soft);font-size:.88rem}
tbody th{font-weight:550}
.num{font-variant-numeric:tabular-nums;white-space:nowrap}
tr.not-measured td,tr.not-measured th{color:var(--soft)}
details{font-weight:400;font-size:.88rem;color:var(--soft)}
summary{cursor:pointer}
@media(max-width:600px){
main{padding:12px 10px 32px}
header,section{padding:16px}
thead{position:absolute;clip-path:inset(50%)}
tbody tr{display:grid;grid-template-columns:1fr auto;gap:0 12px;border-top:1px solid var(--line);padding:8px 0}
tbody th,tbody td{border:0;padding:0}
tbody th{grid-column:1/-1}
td[data-name]::before{content:attr(data-name) " ";color:var(--soft);font-size:.88rem}
}
footer{color:var(--soft);font-size:.88rem}
@media print{body{background:#fff}section,header{break-inside:avoid}}
`;
