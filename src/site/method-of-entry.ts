import { type Instant, parseTimestamp } from '../formats/instant.js';
import { methodContentDigest } from './method-content.js';
import type { MethodEntry } from './site-file.js';
import type { Method, MethodForce, ReferenceSpectrum } from './site-folder.js';

/** A method as the service judges by it, from an entry that was checked and its reference. */
export function methodOf(entry: MethodEntry, reference: ReferenceSpectrum | null): Method {
  const {
    effectiveFrom: _from,
    retiredAt: _retired,
    invalidatedAt: _invalidated,
    invalidation: _invalidation,
    inForceBeside: _beside,
    ...rest
  } = entry;
  const force = forceOf(entry);
  return {
    ...rest,
    approvals: entry.approvals.map(({ material, decision, effectiveFrom, endsAt }) => ({
      material,
      decision,
      ...(effectiveFrom === undefined ? {} : { effectiveFrom: checkedInstant(effectiveFrom) }),
      ...(endsAt === undefined ? {} : { endsAt: checkedInstant(endsAt) }),
    })),
    reference,
    contentDigest: methodContentDigest({ ...entry, referenceSha256: reference?.sha256 ?? null }),
    ...(force === null ? {} : { force }),
  };
}

/** null for an entry that sets no date: it counts for every measurement. */
function forceOf(entry: MethodEntry): MethodForce | null {
  const { effectiveFrom, retiredAt, invalidatedAt, invalidation, inForceBeside } = entry;
  const dates = [effectiveFrom, retiredAt, invalidatedAt];
  if (dates.every((date) => date === undefined) && inForceBeside === undefined) return null;
  const [from = null, retired = null, invalidated = null] = dates.map((date) =>
    date === undefined ? null : checkedInstant(date),
  );
  return {
    effectiveFrom: from,
    retiredAt: retired,
    invalidatedAt: invalidated,
    invalidation: invalidation ?? null,
    absent: [],
    beside: inForceBeside ?? [],
  };
}

/** @throws Error on a text that the rules of the site folder let through although it is no instant. */
export function checkedInstant(text: string): Instant {
  const read = parseTimestamp(text);
  if (read === null) throw new Error(`an instant was not checked: ${text}`);
  return read.instant;
}
