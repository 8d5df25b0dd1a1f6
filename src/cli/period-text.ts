import type { SignatureManifest } from '../signatures/signature.js';
import type { PeriodProposal } from '../statements/period-view.js';

interface ClosedPeriodAnswer {
  readonly id: string;
  readonly from: string;
  readonly to: string;
  readonly signedAddenda: number;
  readonly openAddendum: number | null;
}

/** As `GET /api/v1/periods/days` answers. */
export interface ListedPeriods {
  readonly days: readonly {
    readonly day: string;
    readonly state: string;
    readonly hours: number;
    readonly results: { readonly accepted: number; readonly held: number } | null;
    readonly periods: readonly ClosedPeriodAnswer[];
  }[];
  readonly others: readonly ClosedPeriodAnswer[];
  readonly next: string;
}

/** As `GET /api/v1/periods/{id}` answers, as far as a command reads it. */
export interface ShownPeriod {
  readonly addenda: readonly {
    readonly number: number;
    readonly openedAt: string;
    readonly signature: SignatureManifest | null;
    readonly changes: readonly { readonly at: string; readonly detail: string }[];
  }[];
}

const STATES: Readonly<Record<string, string>> = {
  running: 'not over',
  open: 'open',
  closed: 'closed',
  partly: 'partly closed',
};

export function daysText(list: ListedPeriods): string {
  return [
    ...list.days.map((d) => {
      const results = resultsText(d.results);
      const hours = d.hours === 24 ? '' : `  ${d.hours} h`;
      const periods = d.periods.map(closedText).join('  ');
      return `${d.day}  ${(STATES[d.state] ?? d.state).padEnd(13)}  ${results}${hours}  ${periods}`.trimEnd();
    }),
    ...(list.others.length === 0
      ? []
      : ['', 'closed periods that are no single day:', ...list.others.map(spanText)]),
    '',
    `earlier days: --before ${list.next}`,
  ].join('\n');
}

function resultsText(results: ListedPeriods['days'][number]['results']): string {
  if (results === null) return 'no results';
  const held = results.held === 0 ? '' : `, ${results.held} held`;
  return `${results.accepted} results accepted${held}`;
}

function spanText(p: ClosedPeriodAnswer): string {
  return `${p.from} to ${p.to}  ${closedText(p)}`;
}

function closedText(p: ClosedPeriodAnswer): string {
  const addenda = [
    ...(p.signedAddenda === 0 ? [] : [`${p.signedAddenda} addenda signed`]),
    ...(p.openAddendum === null ? [] : [`addendum ${p.openAddendum} OPEN`]),
  ];
  return [p.id, ...addenda].join(', ');
}

/** What would be signed, whole, and the digest that the signer names. */
export function proposalText(proposal: PeriodProposal): string {
  return [
    'what is signed:',
    JSON.stringify(proposal.document, null, 2),
    `shown    ${proposal.sha256}`,
  ].join('\n');
}
