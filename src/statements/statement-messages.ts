import type { MessageName } from '../site/mapping-document.js';
import type { Destination } from '../site/site-folder.js';

/** The active mapping of a destination: which revision is pinned and which messages it knows. */
export interface ActiveMapping {
  readonly digest: string;
  readonly messages: readonly MessageName[];
}

/** Those of these destinations that have a mapping and cannot be told that a result was withdrawn. */
export function withoutWithdrawal(
  destinations: readonly string[],
  mappings: ReadonlyMap<string, ActiveMapping>,
): string[] {
  return destinations.filter((name) => {
    const mapping = mappings.get(name);
    return mapping !== undefined && !mapping.messages.includes('withdrawal');
  });
}

export interface StatementMessage {
  readonly destination: string;
  readonly message: 'statement' | 'stop';
  readonly mappingDigest: string;
}

/**
 * Which destination is told of a revision, and how. A stop is that revision's message to every acting
 * system, in place of the statement (design §8); systems that only keep records get the statement, which
 * names the stop. A *conforms* never goes to an acting system that has no stop channel (rule 22).
 */
export function statementMessages(
  destinations: readonly Pick<Destination, 'name' | 'acts'>[],
  mappings: ReadonlyMap<string, ActiveMapping>,
  revision: { readonly isStop: boolean; readonly isConforms: boolean },
): StatementMessage[] {
  return destinations.flatMap(({ name, acts }): StatementMessage[] => {
    const mapping = mappings.get(name);
    if (!mapping) return [];
    const knows = (message: MessageName) => mapping.messages.includes(message);
    if (acts && revision.isConforms && !knows('stop')) return [];
    const wanted = acts && revision.isStop ? 'stop' : 'statement';
    if (knows(wanted))
      return [{ destination: name, message: wanted, mappingDigest: mapping.digest }];
    if (!acts && revision.isStop && knows('stop')) {
      return [{ destination: name, message: 'stop', mappingDigest: mapping.digest }];
    }
    return [];
  });
}

/** What a destination was told last of a receipt. */
export interface ToldLast {
  readonly destination: string;
  /** The highest revision that it has a message of, sent or not. */
  readonly revision: number;
  /** The last message that left for it, or may have, is a *conforms*. */
  readonly holdsConforms: boolean;
}

/**
 * Destinations that were told earlier revisions and not this one: they were out of the site folder when it was stored, or
 * their mapping knew no message for it.
 */
export function toldLess(told: readonly ToldLast[], revision: number): readonly ToldLast[] {
  return told.filter((last) => last.revision < revision);
}
