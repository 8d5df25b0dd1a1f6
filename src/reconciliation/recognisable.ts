import type { HeldList } from '../site/mapping-document.js';
import type { SubjectKind } from '../storage/tables.js';

/**
 * True where a list shows of each message of a kind what it is, which result it is about and under which revision: without one of
 * these nothing that it shows could be told to be a delivery of ours, and nothing would be sent twice unseen.
 */
export function isRecognisable(list: HeldList | null, kind: SubjectKind): boolean {
  if (list === null || list.result === null || list.revision === null) return false;
  const codes: Readonly<Partial<Record<SubjectKind, string>>> = list.message?.codes ?? {};
  return codes[kind] !== undefined;
}
