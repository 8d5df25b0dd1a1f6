import { readTree, type Tree, textsAt } from '../delivery/answer-tree.js';
import type { AskResult } from '../delivery/endpoint.js';
import { canonicalDigest, canonicalJson } from '../formats/canonical-json.js';
import { addMs, type Instant, isStillToCome } from '../formats/instant.js';
import type { Description, MappingDocument, Watched } from '../site/mapping-document.js';
import type { DestinationWatchRow } from '../storage/tables.js';

/** What a destination said of itself, by the places that are watched. */
export type Seen =
  | {
      readonly ok: true;
      readonly digest: string;
      readonly document: string;
      /** False for an error page that came with status 200: nothing that is watched is on it. */
      readonly showsParts: boolean;
    }
  | { readonly ok: false; readonly detail: string };

const LOOK_EVERY_MS = 86_400_000;
const LOOK_AGAIN_MS = 30_000;
const DOCUMENT_MAX = 65_536;

/** Changes when the mapping watches something else: then what was approved says nothing any more. */
export function declaredDigest(describe: Description): string {
  return canonicalDigest(describe);
}

/** Puts the watched parts of one document together; 404 is a description that is gone, and no answer is none. */
export function readWatched(
  result: AskResult,
  watched: Watched,
  format: MappingDocument['format'],
):
  | { readonly ok: true; readonly parts: Readonly<Record<string, unknown>> }
  | Extract<Seen, { ok: false }> {
  if (result.kind === 'absent') return { ok: true, parts: { gone: true } };
  if (result.kind !== 'answered') {
    return { ok: false, detail: result.kind === 'unavailable' ? result.detail : 'nothing to read' };
  }
  if (result.status === 404 || result.status === 410) return { ok: true, parts: { gone: true } };
  if (result.status !== 200) return { ok: false, detail: `status ${result.status}` };
  if (result.isCut) return { ok: false, detail: 'the answer is too long to read' };
  const read = readTree(format, result.body);
  if (!read.ok) return { ok: false, detail: `the answer ${read.detail}` };
  const { tree } = read;
  return {
    ok: true,
    parts: Object.fromEntries(watched.parts.map((path) => [path, partAt(tree, path)])),
  };
}

function partAt(tree: Tree, path: string): unknown {
  return path === '' ? tree : textsAt(tree, path);
}

export function seenOf(
  description: Readonly<Record<string, unknown>>,
  canary: Readonly<Record<string, unknown>> | null,
): Seen {
  const whole = { description, canary };
  const document = canonicalJson(whole);
  if (document.length > DOCUMENT_MAX) {
    return { ok: false, detail: 'the watched parts are too long; name smaller ones' };
  }
  const showsParts = showsAny(description) && (canary === null || showsAny(canary));
  return { ok: true, digest: canonicalDigest(whole), document, showsParts };
}

function showsAny(parts: Readonly<Record<string, unknown>>): boolean {
  return Object.values(parts).some((part) =>
    Array.isArray(part) ? part.length > 0 : typeof part === 'object' && part !== null,
  );
}

export interface LookStep {
  readonly change: Partial<Omit<DestinationWatchRow, 'site' | 'destination'>>;
  /** The first look at what a mapping declares is taken as approved with the mapping. */
  readonly becomes: 'approved' | 'changed' | 'as-approved' | 'unknown';
}

/** When a destination is looked at next, where that is still to come; null when it is time. */
export function nextLookAt(
  row: Pick<DestinationWatchRow, 'look_at' | 'must_look' | 'hold'>,
  now: Instant,
): Instant | null {
  const isSoon = row.must_look === 1 || row.hold !== null;
  const longestMs = isSoon ? LOOK_AGAIN_MS : LOOK_EVERY_MS;
  return isStillToCome(row.look_at, now, longestMs) ? row.look_at : null;
}

/**
 * What a look at a destination means (rule 27). One that answers nothing leaves it as it was and is repeated; while
 * it must be looked at, no *conforms* leaves. Something else than was approved holds every new *conforms* at once and
 * is looked at again soon: an error page with status 200 holds until the destination shows again what was approved,
 * not until tomorrow. What shows nothing that is watched is never approved by a first look.
 */
export function judgeLook(row: DestinationWatchRow, seen: Seen, now: Instant): LookStep {
  if (!seen.ok) {
    return {
      change: { detail: seen.detail, look_at: addMs(now, LOOK_AGAIN_MS) },
      becomes: 'unknown',
    };
  }
  const looked = {
    seen_digest: seen.digest,
    seen_document: seen.document,
    seen_at: now,
    look_at: addMs(now, LOOK_EVERY_MS),
    must_look: 0 as const,
    detail: null,
  };
  if (row.approved_digest === null) {
    if (!seen.showsParts) {
      const detail = 'the answer shows nothing that the mapping watches';
      return { change: { detail, look_at: addMs(now, LOOK_AGAIN_MS) }, becomes: 'unknown' };
    }
    return {
      change: { ...looked, ...approval(seen.digest, seen.document, now) },
      becomes: 'approved',
    };
  }
  if (row.approved_digest === seen.digest) {
    return { change: { ...looked, hold: null, hold_since: null }, becomes: 'as-approved' };
  }
  return {
    change: {
      ...looked,
      look_at: addMs(now, LOOK_AGAIN_MS),
      hold: 'changed',
      hold_since: row.hold_since ?? now,
    },
    becomes: 'changed',
  };
}

/** What a person approves: that which was seen last, and nothing else. */
export function approval(digest: string, document: string, now: Instant) {
  return {
    approved_digest: digest,
    approved_document: document,
    approved_at: now,
    hold: null,
    hold_since: null,
  } as const;
}
