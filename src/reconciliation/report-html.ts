import { visibleLines } from '../formats/visible-text.js';
import { headingOf, type ReportDocument, type ReportTable } from './report-document.js';

const STYLE = `
body { font: 11pt/1.4 system-ui, 'Noto Sans', 'DejaVu Sans', sans-serif; color: #1b2330; margin: 1.5rem auto; max-width: 68rem; padding: 0 1rem; }
h1 { font-size: 1.4rem; } h2 { font-size: 1.05rem; margin: 1.6rem 0 .4rem; }
.banner { border: 2px dashed #7c4f00; background: #fbf1df; padding: .5rem .8rem; font-weight: 700; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .1rem 1rem; } dt { color: #525b69; } dd { margin: 0; }
table { border-collapse: collapse; width: 100%; } th, td { border: 1px solid #cfcabd; padding: .3rem .5rem; text-align: left; vertical-align: top; overflow-wrap: anywhere; }
th { background: #f0efea; } footer { margin-top: 2rem; border-top: 3px double #1b2330; padding-top: .6rem; }
@media print { thead { display: table-header-group; } tr { break-inside: avoid; } }
`;

/** A report as one file that loads nothing and runs nothing. */
export function documentHtml(report: ReportDocument): string {
  const banner = report.banner === null ? '' : `<p class="banner">${escaped(report.banner)}</p>`;
  const facts = report.facts
    .map(([name, value]) => `<dt>${escaped(name)}</dt><dd>${escaped(value)}</dd>`)
    .join('');
  const cautions = report.cautions.map((c) => `<li>${escaped(c)}</li>`).join('');
  return [
    '<!doctype html>',
    '<html lang="en"><head><meta charset="utf-8">',
    '<meta http-equiv="content-security-policy" content="default-src \'none\'; style-src \'unsafe-inline\'">',
    `<title>${escaped(report.title)}</title><style>${STYLE}</style></head><body>`,
    banner,
    `<h1>${escaped(report.title)}</h1><dl>${facts}</dl>`,
    ...report.tables.map(tableHtml),
    `<footer><h2>Before you act on this report</h2><ul>${cautions}</ul></footer>`,
    '</body></html>',
    '',
  ].join('\n');
}

function tableHtml(table: ReportTable): string {
  const { columns, rows, none } = table;
  const heading = `<h2>${escaped(headingOf(table))}</h2>`;
  if (rows.length === 0) return `${heading}<p>${escaped(none)}</p>`;
  const head = columns.map((c) => `<th scope="col">${escaped(c)}</th>`).join('');
  const body = rows
    .map((cells) => `<tr>${cells.map((c) => `<td>${escaped(c)}</td>`).join('')}</tr>`)
    .join('\n');
  return `${heading}<table><thead><tr>${head}</tr></thead><tbody>\n${body}\n</tbody></table>`;
}

function escaped(text: string): string {
  return visibleLines(text)
    .replaceAll('&', '&amp;')
    .replaceAll('<', '&lt;')
    .replaceAll('>', '&gt;')
    .replaceAll('"', '&quot;');
}
