/** Frame, headings, banner, stage row. Dark text on light; tones stay above 4.5 : 1 against their ground. */
export const LAYOUT_STYLE = `
:root {
  --paper: #f7f6f2; --sheet: #ffffff; --ink: #1b2330; --soft: #525b69; --line: #cfcabd;
  --accent: #0b5563; --level: #bcd9d8; --short: #f0d9b8;
  --good: #17613a; --bad: #9c1c2b; --open: #7c4f00; --quiet: #525b69;
  --good-ground: #e8f2ea; --bad-ground: #fbe9ea; --open-ground: #fbf1df; --quiet-ground: #f0efea;
}
*, *::before, *::after { box-sizing: border-box; }
html { background: var(--paper); color: var(--ink); color-scheme: light; }
body {
  margin: 0 auto; max-width: 80rem; padding: 0 1.5rem 2rem;
  font: 1rem/1.45 system-ui, 'Segoe UI', 'Noto Sans', 'DejaVu Sans', sans-serif;
  overflow-wrap: break-word;
}
h1 { font-size: 1.6rem; line-height: 1.2; margin: 1.4rem 0 .4rem; }
h2 { font-size: 1.15rem; margin: 2rem 0 .7rem; }
h3 { font-size: 1rem; margin: 0 0 .25rem; }
p { margin: 0 0 .4rem; }
ul, ol { margin: 0; padding: 0; list-style: none; }
a { color: var(--accent); text-underline-offset: .15em; }
a:hover { text-decoration-thickness: 2px; }
:focus-visible { outline: 3px solid var(--accent); outline-offset: 2px; border-radius: 2px; }
code { font: .85em/1.4 ui-monospace, 'DejaVu Sans Mono', monospace; }
.small { font-size: .875rem; color: var(--soft); }
.none { color: var(--soft); }
.count { color: var(--soft); font-weight: 400; margin-left: .25rem; }
.skip { position: absolute; left: -100rem; }
.skip:focus { left: 1rem; top: .5rem; background: var(--sheet); padding: .5rem; z-index: 1; }

.top {
  display: flex; flex-wrap: wrap; align-items: baseline; gap: .2rem 1.4rem;
  padding: 1rem 0 .7rem; border-bottom: 6px double var(--ink);
}
.top p { margin: 0; }
.brand { color: var(--ink); font-size: 1.15rem; font-weight: 700; text-decoration: none; }
.where span { color: var(--soft); margin-left: .35rem; }
.top .as-of { margin-left: auto; color: var(--soft); font-size: .875rem; }
.banner {
  margin: 1rem 0 0; padding: .6rem .9rem; background: var(--open-ground);
  border: 2px dashed var(--open);
}
.banner strong { margin-right: .4rem; }
.crumb { margin: 1rem 0 0; }
.crumb + h1 { margin-top: .5rem; }

.days { display: flex; gap: 1.4rem; font-size: .875rem; color: var(--soft); }

.stages { display: grid; grid-template-columns: repeat(6, minmax(0, 1fr)); border: 1px solid var(--line); background: var(--sheet); }
.stage { position: relative; display: flex; gap: .7rem; padding: .9rem .8rem .9rem 1.1rem; }
.stage + .stage { border-left: 1px solid var(--line); }
.stage + .stage::before {
  content: ''; position: absolute; left: -.45rem; top: 1.9rem; width: .8rem; height: .8rem;
  border: solid var(--line); border-width: 1px 1px 0 0; background: var(--sheet);
  transform: rotate(45deg);
}
.drum { flex: none; width: 2.2rem; height: 2.8rem; }
.drum-line { fill: none; stroke: var(--ink); stroke-width: 1.6; }
.drum-level { fill: var(--level); }
.stage-short .drum-level { fill: var(--short); }
.stage-count { margin: 0; color: var(--soft); font-size: .875rem; }
.stage-count strong { font-size: 1.5rem; line-height: 1.1; color: var(--ink); font-variant-numeric: tabular-nums; }
.stage-note { color: var(--soft); font-size: .8125rem; margin: .1rem 0 0; }
.shortfalls { margin-top: .4rem; font-size: .875rem; }
.shortfalls a { display: inline-block; padding: .15rem 0; font-weight: 600; color: var(--open); }

.cautions { margin-top: 3rem; border-top: 6px double var(--ink); padding-top: .9rem; font-size: .875rem; }
.cautions h2 { margin: 0 0 .5rem; font-size: 1rem; }
.cautions li { margin: .3rem 0; padding-left: 1rem; position: relative; max-width: 60rem; }
.cautions li::before { content: ''; position: absolute; left: 0; top: .5em; width: .4rem; height: .4rem; background: var(--ink); }

@media (max-width: 70rem) {
  .stages { grid-template-columns: repeat(3, minmax(0, 1fr)); }
  .stage + .stage::before { display: none; }
  .stage:nth-child(n + 4) { border-top: 1px solid var(--line); }
  .stage:nth-child(4) { border-left: 0; }
}
@media (max-width: 40rem) {
  body { padding: 0 .9rem 1.5rem; }
  .top .as-of { margin-left: 0; }
  .stages { grid-template-columns: minmax(0, 1fr); }
  .stage + .stage { border-left: 0; border-top: 1px solid var(--line); }
  .drum { width: 1.9rem; height: 2.4rem; }
}
@media print {
  html { background: #fff; }
  .skip { display: none; }
}
`;
