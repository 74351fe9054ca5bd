//! How the page looks: ink on paper, one accent per verdict; the same variables colour the pictures.

/// The style sheet.
pub(super) const SHEET: &str = r#"
:root{--paper:#fff;--ink:#1a1c1e;--soft:#555b61;--rule:#c9cdd1;--tint:#f3f4f2;--link:#00508a;
--plot-text:#1a1c1e;--plot-soft:#555b61;--plot-grid:#d9dcdf;--plot-paper:#fff;--plot-shade:#8a9096;
--plot-range:#7a828a;--plot-within:#007a58;--plot-outside:#b83a00;--plot-unresolved:#005f9e;
--plot-1:#0072b2;--plot-2:#d55e00;--plot-3:#007a58;--plot-4:#b85c92;--plot-5:#56b4e9;--plot-6:#c98600}
@media screen and (prefers-color-scheme:dark){:root{--paper:#15181a;--ink:#e8e6e1;--soft:#a9aeb2;
--rule:#43494e;--tint:#1e2225;--link:#7cc4f5;
--plot-text:#f0eee9;--plot-soft:#a9aeb2;--plot-grid:#30363a;--plot-paper:#15181a;--plot-shade:#767d83;
--plot-range:#9aa3ab;--plot-within:#34c597;--plot-outside:#ff8a50;--plot-unresolved:#6cbdf0;
--plot-1:#56b4e9;--plot-2:#ff8a50;--plot-3:#34c597;--plot-4:#dd9ac2;--plot-5:#9ad4f5;--plot-6:#f0b429}}
*{box-sizing:border-box}
html{background:var(--paper);color:var(--ink);font:1rem/1.5 system-ui,"DejaVu Sans",sans-serif}
body{max-width:56rem;margin:0 auto;padding:1.5rem 1.25rem 3rem;overflow-wrap:break-word}
header{border-bottom:2px solid var(--ink);padding-bottom:.6rem}
header p{margin:.1rem 0;color:var(--soft)}
h1{font-size:1.35rem;line-height:1.25;margin:0 0 .25rem}
h2{font-size:1.2rem;margin:2.4rem 0 .6rem;padding-bottom:.2rem;border-bottom:1px solid var(--rule)}
h3{font-size:1.05rem;margin:1.6rem 0 .4rem}
p{margin:.5rem 0}
a{color:var(--link)}
.verdict{margin:1.2rem 0;padding:.9rem 1.1rem;border:1px solid var(--rule);border-left:.6rem solid var(--v)}
.verdict .word{font-size:2.1rem;line-height:1.15;font-weight:700;color:var(--v);margin:0 0 .3rem}
.within{--v:var(--plot-within)}.outside{--v:var(--plot-outside)}.unresolved{--v:var(--plot-unresolved)}
.judged{color:var(--v);font-weight:600;white-space:nowrap}
.note{color:var(--soft);font-size:.92rem}
.warnings{border-left:.3rem solid var(--plot-6);padding-left:.9rem}
.warnings ul{margin:0;padding-left:1.1rem}
.findings{list-style:none;padding:0;counter-reset:f}
.findings>li{counter-increment:f;padding:.7rem 0 .7rem 2.6rem;position:relative;border-bottom:1px solid var(--rule);
break-inside:avoid}
.findings>li::before{content:counter(f);position:absolute;left:0;top:.7rem;width:1.7rem;height:1.7rem;
border:2px solid var(--ink);text-align:center;line-height:1.45rem;font-weight:700}
.findings p{margin:.2rem 0}
.findings .what{font-weight:600}
dl.pairs{display:grid;grid-template-columns:max-content 1fr;gap:.15rem 1.2rem;margin:.5rem 0}
dl.pairs dt{color:var(--soft)}dl.pairs dd{margin:0}
figure{margin:.8rem 0;break-inside:avoid}
figcaption{color:var(--soft);font-size:.92rem;margin-top:.2rem}
.scroll{overflow-x:auto}
svg.plot{display:block;width:100%;height:auto;min-width:34rem}
table{border-collapse:collapse;width:100%;font-size:.9rem;font-variant-numeric:tabular-nums}
caption{text-align:left;color:var(--soft);padding:.3rem 0}
th,td{padding:.22rem .55rem;text-align:right;vertical-align:top;border-bottom:1px solid var(--rule)}
thead th{border-bottom:2px solid var(--ink);vertical-align:bottom;font-weight:600}
tbody th{font-weight:400}
th.name,td.name{text-align:left}
.whole{white-space:nowrap}
td.digest{font-family:ui-monospace,"DejaVu Sans Mono",monospace;font-size:.8rem;text-align:left;word-break:break-all}
code{font-family:ui-monospace,"DejaVu Sans Mono",monospace;font-size:.86em;color:var(--soft)}
details{margin:.4rem 0 1rem}
summary{cursor:pointer;color:var(--link)}
footer{margin-top:2.5rem;padding-top:.6rem;border-top:1px solid var(--rule);color:var(--soft);font-size:.88rem}
.unseen{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%);white-space:nowrap}
@media (max-width:34rem){.verdict .word{font-size:1.7rem}dl.pairs{grid-template-columns:1fr}dl.pairs dd{margin-bottom:.4rem}}
@page{size:A4;margin:16mm 15mm 18mm}
@media print{html{font-size:9.5pt}body{max-width:none;padding:0}a{color:inherit;text-decoration:none}
.scroll{overflow:visible}svg.plot{min-width:0;max-height:72mm}details{display:none}
h2,h3,caption,.lead{break-after:avoid}.lead,dl.pairs{break-inside:avoid}th,td{padding:.08rem .5rem;line-height:1.3}tr{break-inside:avoid}thead{display:table-header-group}
h2{margin-top:1.6rem}p,li{orphans:3;widows:3}.verdict,figure,.warnings li{break-inside:avoid}
*{print-color-adjust:exact;-webkit-print-color-adjust:exact}}
"#;
