/** Tables, tiles, conditions, discrepancies. Tables become stacked blocks on a narrow screen. */
export const LIST_STYLE = `
table { width: 100%; border-collapse: collapse; background: var(--sheet); border: 1px solid var(--line); }
caption { text-align: left; font-weight: 600; padding: .8rem 0 .4rem; }
th, td { text-align: left; vertical-align: top; padding: .65rem .8rem; border-top: 1px solid var(--line); }
thead th { font-size: .8125rem; color: var(--soft); font-weight: 600; border-top: 0; }
tbody th { font-weight: 600; }
.receipts { table-layout: fixed; }
.receipts th:nth-child(1) { width: 19%; }
.receipts th:nth-child(2) { width: 15%; }
.receipts th:nth-child(3) { width: 31%; }
.methods { table-layout: fixed; }
.methods th:nth-child(1) { width: 38%; }
.methods th:nth-child(2) { width: 11%; }
.methods th:nth-child(3) { width: 12%; }
.methods th:nth-child(4) { width: 22%; }
.trail { table-layout: fixed; }
.trail th:nth-child(1) { width: 14%; }
.trail th:nth-child(2) { width: 15%; }
.trail th:nth-child(3) { width: 29%; }
.trail th:nth-child(5) { width: 11%; }
.trail .facts { margin: 0; }
.trail del { color: var(--soft); }
.trail ins { text-decoration: none; font-weight: 600; }
.trail-form { display: flex; flex-wrap: wrap; gap: .6rem 1rem; align-items: end; margin: 1rem 0; }
.trail-form label { display: block; font-size: .8125rem; color: var(--soft); }
.trail-form input, .trail-form button { font: inherit; padding: .35rem .5rem; }
td, dd, .subject, .tile-label, .receipt-link { overflow-wrap: anywhere; }
.receipt-link { font-size: 1.05rem; }
.facts { margin: .3rem 0 0; font-size: .875rem; font-weight: 400; }
.facts div { display: flex; gap: .4rem; }
.facts dt { color: var(--soft); flex: none; }
.facts dd { margin: 0; }
.receipts tbody tr { border-left: 4px solid var(--line); }
.receipts tbody .outcome-conforms { border-left-color: var(--good); }
.receipts tbody .outcome-does-not-conform { border-left-color: var(--bad); }
.receipts tbody .outcome-incomplete { border-left-color: var(--open); }

.glyph { width: 1em; height: 1em; flex: none; position: relative; top: .12em; }
.glyph .solid { fill: currentColor; }
.glyph .mark { fill: none; stroke: #fff; stroke-width: 1.8; stroke-linecap: round; stroke-linejoin: round; }
.glyph .line { fill: none; stroke: currentColor; stroke-width: 1.6; stroke-linecap: round; }
.glyph .dashed { stroke-dasharray: 3.2 2.6; }
.mark-word { display: inline-flex; gap: .35em; font-weight: 600; align-items: baseline; overflow-wrap: normal; }
.conditions-table .mark-word { white-space: nowrap; }
.tone-good { color: var(--good); }
.tone-bad { color: var(--bad); }
.tone-open { color: var(--open); }
.tone-quiet { color: var(--quiet); }
td .mark-word + .small, td .stop + .small { display: block; }
.stop { margin-top: .4rem; }
td .stop .small { display: block; }

.conditions li + li { margin-top: .55rem; }
.conditions strong { font-weight: 600; margin-right: .4rem; }
.conditions .mark-word { font-size: .875rem; }
.conditions .small { display: block; }

.strip-counts { font-size: .875rem; color: var(--soft); margin: 0 0 .35rem; }
.tiles { display: grid; grid-template-columns: repeat(auto-fill, minmax(7.1rem, 1fr)); gap: .3rem; }
.tile {
  display: flex; flex-direction: column; padding: .25rem .45rem .3rem;
  border: 1px solid currentColor; font-size: .8125rem; line-height: 1.3;
}
.tile.tone-good { background: var(--good-ground); }
.tile.tone-bad { background: var(--bad-ground); border-width: 2px; }
.tile.tone-open { background: var(--open-ground); border-style: dashed; }
.tile.tone-quiet { background: var(--quiet-ground); border-style: dotted; }
.tile-label { color: var(--ink); }
.tile-more { border-color: var(--line); justify-content: center; }

.groups { display: grid; grid-template-columns: repeat(2, minmax(0, 1fr)); gap: 1rem; align-items: start; }
.group { background: var(--sheet); border: 1px solid var(--line); border-left: 4px solid var(--open); padding: .8rem 1rem; }
.group .remedy { font-size: .875rem; color: var(--soft); }
.group li { border-top: 1px solid var(--line); padding: .5rem 0; }
.group li p { margin: 0; }
.group .subject { font-weight: 600; }
h3 .late { font-size: .8125rem; }
.late { color: var(--bad); font-weight: 600; }
.group .small span + span::before { content: ' · '; }

.count-list { display: grid; grid-template-columns: repeat(auto-fill, minmax(15rem, 1fr)); gap: 0 1.5rem; margin: 0; background: var(--sheet); border: 1px solid var(--line); padding: .5rem 1rem; }
.count-list div { display: flex; justify-content: space-between; gap: 1rem; padding: .25rem 0; border-bottom: 1px solid var(--line); }
.count-list dt { color: var(--soft); }
.count-list dd { margin: 0; font-weight: 600; font-variant-numeric: tabular-nums; }
.digest { overflow-wrap: anywhere; }
.period-days td p { margin: 0; }
.changes td:first-child, .story td:nth-child(-n + 2) { white-space: nowrap; }
.history td:nth-child(-n + 3) { white-space: nowrap; }
div.group + p { margin-top: .8rem; }

.identity { display: grid; grid-template-columns: repeat(auto-fill, minmax(11rem, 1fr)); gap: .7rem 1.2rem; margin: .8rem 0; }
.identity dt { font-size: .8125rem; color: var(--soft); }
.identity dd { margin: 0; font-weight: 600; }
.identity dd .none { font-weight: 400; }
.statement { border: 1px solid var(--line); border-left: 6px solid var(--quiet); background: var(--sheet); padding: .2rem 1.1rem 1.1rem; margin-top: 1.2rem; }
.statement > h2 { margin-top: .9rem; }
.statement-conforms { border-left-color: var(--good); }
.statement-does-not-conform { border-left-color: var(--bad); }
.statement-incomplete { border-left-color: var(--open); }
.outcome { font-size: 1.3rem; }
.statement h3 { margin-top: 1.2rem; }
.decisions li { margin: .3rem 0; }
.evidence { display: flex; flex-wrap: wrap; gap: .1rem .9rem; font-size: .875rem; }
.evidence .kind { color: var(--soft); }
.reason { margin: .2rem 0 0; }

@media (max-width: 48rem) {
  .receipts { table-layout: auto; }
  thead { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
  table, tbody, tr, th, td, caption { display: block; }
  .receipts th:nth-child(n), .receipts td { width: auto; }
  caption { padding: .6rem .8rem 0; }
  .identity { grid-template-columns: repeat(2, minmax(0, 1fr)); }
  tbody tr { padding: .5rem 0; border-top: 2px solid var(--line); }
  tbody tr:first-child { border-top: 0; }
  tbody th, tbody td { border-top: 0; padding: .3rem .8rem; }
  tbody td::before { content: attr(data-label); display: block; font-size: .8125rem; color: var(--soft); }
  .changes td:first-child, .story td:nth-child(-n + 2) { white-space: normal; }
  .period-days td:has(> .none:only-child) { display: none; }
  .period-days tbody td::before { display: inline; margin-right: .5rem; }
  .period-days td p { display: inline; }
  .groups { grid-template-columns: minmax(0, 1fr); }
  .statement { padding: .2rem .8rem .8rem; }
}
`;
