import type { BooksDocument } from './books.js';
import type { DemoVerdict } from './demo-verdict.js';
import type { Story } from './story.js';

/** What the demo prints for people when the day is over. */
export function demoSummary(
  { report, complaints }: DemoVerdict,
  story: Story,
  standIns: {
    readonly erp: BooksDocument;
    /** By stand-in: how often it misbehaved on purpose, by kind. */
    readonly misdeeds: readonly (readonly [string, ReadonlyMap<string, number>])[];
  },
): string {
  const { statements, sinks } = report;
  const { erp, misdeeds } = standIns;
  const issued = erp.issues.reduce((sum, issue) => sum + issue.containers.length, 0);
  const lines = [
    '',
    'Drumline demo: a simulated day at the invented site Northquay',
    '',
    row('containers expected', report.expected),
    row('containers measured', report.measured),
    row('results accepted', report.accepted),
    row('results held', report.held),
    row('bundles refused', report.refused),
    row('results delivered everywhere', report.delivered),
    row('results confirmed everywhere', report.confirmed),
    row('statements: conforms', statements.conforms),
    row('statements: does not conform', statements.doesNotConform),
    row('statements: incomplete', statements.incomplete),
    row('stops', report.stops),
    '',
    'Receipts, as the story has them:',
    ...story.receipts.map((r) => `  ${r.id}  ${r.expected.padEnd(16)}  ${r.because}`),
    '',
    `Discrepancies open (${report.discrepancies.length}):`,
    ...report.discrepancies.map((d) => `  ${d.class.padEnd(14)}  ${d.subject}`),
    '',
    'The judge, from the stand-ins’ books and what was really in the drums:',
    `  lost ${sinks.lost}   double ${sinks.double}   out of order ${sinks.outOfOrder}   different ${sinks.different}   wrong release ${sinks.wrongRelease}`,
    `  stand-in ERP: ${erp.releases.length} releases, ${erp.blocks.length} blocks, ${issued} drums issued`,
    ...misdeeds.map(([name, kinds]) => `  ${name} misbehaved on purpose: ${inWords(kinds)}`),
    ...complaints.map((c) => `  NOT AS IT SHOULD BE: ${c}`),
    '',
    report.ok
      ? 'Everything arrived once, unaltered and in order; nothing wrong was released.'
      : 'The day did not end as it should: see above.',
    'All of this is simulated: invented site and suppliers, synthesised spectra, environment training.',
    'Identity is one of several tests. Drumline reports; the quality unit releases.',
  ];
  return lines.join('\n');
}

function inWords(kinds: ReadonlyMap<string, number>): string {
  return [...kinds].map(([kind, times]) => `${kind} ${times}`).join(', ') || 'never';
}

function row(name: string, count: number): string {
  return `  ${name.padEnd(30)} ${String(count).padStart(5)}`;
}
