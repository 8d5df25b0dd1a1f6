import type { Judgement, SinkVerdict } from './judge.js';
import type { ExpectedDiscrepancy, MeasuredResult, Story } from './story.js';

/** Counts as the gateway reports them; the demo compares them with the story, the judge never reads them. */
export interface GatewayCounts {
  readonly expected: number;
  readonly measured: number;
  readonly accepted: number;
  readonly held: number;
  readonly refused: number;
  readonly delivered: number;
  readonly confirmed: number;
  readonly statements: {
    readonly conforms: number;
    readonly doesNotConform: number;
    readonly incomplete: number;
  };
  readonly stops: number;
  readonly discrepancies: readonly {
    readonly class: string;
    readonly subject: string;
    readonly detail: string;
  }[];
}

/** The one line of `drumline demo --json`. */
export interface DemoReport extends Omit<GatewayCounts, 'discrepancies'> {
  readonly discrepancies: readonly { readonly class: string; readonly subject: string }[];
  readonly sinks: SinkVerdict;
  readonly ok: boolean;
}

export interface DemoVerdict {
  readonly report: DemoReport;
  /** One sentence for everything that is not as the story has it. */
  readonly complaints: readonly string[];
}

/** True only when the stand-ins hold exactly what they should and the gateway's report says the same. */
export function demoVerdict(
  counts: GatewayCounts,
  world: {
    readonly story: Story;
    readonly measured: readonly MeasuredResult[];
    readonly judgement: Pick<Judgement, 'sinks' | 'findings'>;
    readonly problems: readonly string[];
  },
): DemoVerdict {
  const complaints = [
    ...world.problems,
    ...world.judgement.findings,
    ...compareCounts(counts, expectedCounts(world.story, world.measured)),
    ...compareDiscrepancies(counts.discrepancies, world.story.discrepancies),
  ];
  const { discrepancies, ...numbers } = counts;
  return {
    report: {
      ...numbers,
      discrepancies: discrepancies.map(({ class: kind, subject }) => ({ class: kind, subject })),
      sinks: world.judgement.sinks,
      ok: complaints.length === 0,
    },
    complaints,
  };
}

type Numbers = Omit<GatewayCounts, 'discrepancies'>;

/** What the story's own list says the report has to count. */
function expectedCounts(story: Story, measured: readonly MeasuredResult[]): Numbers {
  const arrived = measured.filter((r) => r.fate === 'arrived');
  const outcomes = (outcome: string): number =>
    story.receipts.filter((r) => r.expected === outcome).length;
  const reached = arrived.filter((r) => !r.refusedByLims).length;
  return {
    expected: story.receipts.reduce((sum, r) => sum + r.sampled, 0),
    measured: new Set(arrived.map((r) => r.containerScan)).size,
    accepted: arrived.length,
    held: measured.filter((r) => r.fate === 'spoilt').length,
    refused: 0,
    delivered: reached,
    confirmed: reached,
    statements: {
      conforms: outcomes('conforms'),
      doesNotConform: outcomes('does-not-conform'),
      incomplete: outcomes('incomplete'),
    },
    stops: story.receipts.filter((r) => r.expectsStop).length,
  };
}

function compareCounts(found: GatewayCounts, expected: Numbers): string[] {
  const rows: [string, number, number][] = [];
  for (const name of [
    'expected',
    'measured',
    'accepted',
    'held',
    'refused',
    'delivered',
    'confirmed',
    'stops',
  ] as const) {
    rows.push([name, found[name], expected[name]]);
  }
  for (const name of ['conforms', 'doesNotConform', 'incomplete'] as const) {
    rows.push([`statements ${name}`, found.statements[name], expected.statements[name]]);
  }
  return rows.flatMap(([name, is, should]) =>
    is === should ? [] : [`${name}: the gateway counts ${is}, the story ${should}`],
  );
}

function compareDiscrepancies(
  found: GatewayCounts['discrepancies'],
  expected: readonly ExpectedDiscrepancy[],
): string[] {
  const missing = expected
    .filter((e) => !found.some((f) => matches(f, e)))
    .map((e) => `no discrepancy ${e.class} names ${e.mentions.join(', ') || 'what it should'}`);
  const unknown = found
    .filter((f) => !expected.some((e) => matches(f, e)))
    .map((f) => `discrepancy ${f.class} ${f.subject} is not in the story`);
  return [...missing, ...unknown];
}

function matches(
  found: GatewayCounts['discrepancies'][number],
  expected: ExpectedDiscrepancy,
): boolean {
  const words = `${found.subject} ${found.detail}`;
  return found.class === expected.class && expected.mentions.every((text) => words.includes(text));
}
