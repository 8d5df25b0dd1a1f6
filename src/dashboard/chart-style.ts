/** Trend charts of performance checks. Lines differ by their dashes, points by their shape, before any colour. */
export const CHART_STYLE = `
.instruments { table-layout: fixed; }
.instruments th:nth-child(1) { width: 16%; }
.instruments th:nth-child(2) { width: 20%; }
.instruments th:nth-child(3) { width: 22%; }
.checks td { overflow-wrap: break-word; }
.checks td:last-child { overflow-wrap: anywhere; }
.checks td:nth-child(2) .small { white-space: nowrap; }
.trends { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(21rem, 100%), 1fr)); gap: 1rem; margin-top: 1rem; }
.trend { margin: 0; background: var(--sheet); border: 1px solid var(--line); padding: .7rem .8rem; min-width: 0; }
.trend figcaption { font-weight: 600; }
.trend figcaption .small { font-weight: 400; display: block; }
.trend > .chart { display: block; width: 100%; height: auto; max-width: 30rem; }
.trend summary { cursor: pointer; padding: .3rem 0; color: var(--accent); }
.trend details table { font-size: .875rem; }
.chart text { font: 10px system-ui, 'DejaVu Sans', sans-serif; fill: var(--soft); }
.chart .frame { fill: none; stroke: var(--line); }
.chart .expected { stroke: var(--ink); stroke-width: 1; }
.chart .warning { stroke: var(--open); stroke-width: 1; stroke-dasharray: 1.5 3; }
.chart .action { stroke: var(--open); stroke-width: 1.2; stroke-dasharray: 6 3; }
.chart .tolerance { stroke: var(--bad); stroke-width: 1.8; }
.chart .run { fill: none; stroke: var(--soft); stroke-width: .8; }
.chart .point { stroke: #fff; stroke-width: .7; }
.chart .point-within { fill: var(--good); }
.chart .point-warning, .chart .point-action { fill: var(--open); }
.chart .point-out { fill: var(--bad); }
.legend { display: flex; margin-top: .8rem; flex-wrap: wrap; gap: .2rem 1.2rem; }
.legend svg { width: 1.1em; height: 1.1em; position: relative; top: .15em; }
.legend .wide { width: 2.2em; }
.legend span { white-space: nowrap; }
@media (max-width: 48rem) {
  .instruments th:nth-child(n) { width: auto; }
  .checks tbody td::before, .bands tbody td::before, .trend tbody td::before { display: inline; margin-right: .5rem; }
  .checks tbody td, .bands tbody td, .trend tbody td { padding: .1rem .8rem; }
}
`;
