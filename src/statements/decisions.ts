import type { StatementRecord } from '../records/statement-record.js';
import type { SiteRules } from './facts.js';

/** What is wrong with a decision record a statement would rest on: not there, or unsigned in production. */
export function decisionFaults(site: SiteRules, id: string, what: string): string[] {
  const decision = site.decisions.find((d) => d.id === id);
  if (!decision) return [`${what} rests on decision ${id}, which the site does not have`];
  if (site.environment === 'production' && !decision.signed) {
    return [`${what} rests on decision ${id}, which nobody signed`];
  }
  return [];
}

/** The decision records of these ids, once each, in the order of the ids. */
export function shownDecisions(
  site: SiteRules,
  ids: readonly string[],
): StatementRecord['decisions'] {
  return [...new Set(ids)].sort().flatMap((id) => {
    const decision = site.decisions.find((d) => d.id === id);
    if (!decision) return [];
    const { rule, decidedBy, date, reason } = decision;
    return [{ id, rule, decidedBy, date, reason }];
  });
}
