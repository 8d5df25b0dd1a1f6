import type { Instant } from '../formats/instant.js';
import type { DiscrepancyChanges } from './compare-unit.js';

/** Discrepancies that one entry names; more are further entries. */
const NAMED_MAX = 500;

/** An entry as the trail takes it. */
export interface ComparedEntry {
  readonly site: string;
  readonly zone: string;
  readonly at: Instant;
  readonly actor: { readonly kind: 'system'; readonly name: string };
  readonly action: string;
  readonly subjectKind: string;
  readonly subjectId: string;
  readonly after: object;
}

/** The trail entries of one comparison: each discrepancy opened, reworded or closed by name, and by what evidence. */
export function comparedEntry(of: {
  readonly site: string;
  readonly timeZone: string;
  /** '' for what belongs to no receipt. */
  readonly receiptId: string;
  readonly changes: DiscrepancyChanges;
  readonly now: Instant;
}): ComparedEntry[] {
  const named = [
    ...of.changes.open.map((d) => ({ change: 'opened', class: d.class, subject: d.subject })),
    ...of.changes.update.map(({ to }) => ({
      change: 'reworded',
      class: to.class,
      subject: to.subject,
    })),
    ...of.changes.close.map(({ stored, evidence }) => ({
      change: 'closed',
      class: stored.class,
      subject: stored.subject,
      evidence,
    })),
  ];
  const entries: ComparedEntry[] = [];
  for (let i = 0; i < named.length; i += NAMED_MAX) {
    entries.push({
      site: of.site,
      zone: of.timeZone,
      at: of.now,
      actor: { kind: 'system', name: 'reconciliation' },
      action: 'discrepancies.compared',
      subjectKind: of.receiptId === '' ? 'site' : 'receipt',
      subjectId: of.receiptId === '' ? of.site : of.receiptId,
      after: { discrepancies: named.slice(i, i + NAMED_MAX) },
    });
  }
  return entries;
}
