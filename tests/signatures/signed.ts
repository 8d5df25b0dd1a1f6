import { sha256 } from '../../src/formats/canonical-json.js';
import type { Instant } from '../../src/formats/instant.js';
import { bindShown, type ShownDocument } from '../../src/signatures/shown-document.js';
import { type Signature, signatureDigest } from '../../src/signatures/signature.js';
import type { SigningEntry } from '../../src/signatures/verify-signatures.js';

export const AT = (Date.UTC(2026, 2, 4, 9, 15, 30) * 1000) as Instant;

export const SHOWN: ShownDocument = {
  subject: { kind: 'result', id: 'row-1', revision: 1 },
  record: { decision: 'pass', findings: [{ code: 'time-offset' }], 'a/b~c': '1.50' },
  context: { state: 'held' },
};

/** A signature of the document, as `SigningService` would make it. */
export function signed(changes: Partial<Signature> = {}, shown: ShownDocument = SHOWN): Signature {
  const { text, sha256: shownSha256 } = bindShown(shown);
  const unbound = {
    id: 'signature-1',
    site: 'northquay',
    at: AT,
    zone: 'Europe/London',
    accountId: 'account-1',
    userName: 'r.reviewer',
    printedName: 'Robin Reviewer (simulated)',
    meaning: 'cleared' as const,
    subject: shown.subject,
    shown: text,
    shownSha256,
    reason: 'the sync log shows the zone',
    source: '192.0.2.7',
    series: 'sitting-1',
    seriesNumber: 1,
    components: 'user-name-and-password' as const,
    ...changes,
  };
  return {
    ...unbound,
    digest: changes.digest ?? signatureDigest({ ...unbound, digest: sha256('') }),
  };
}

export function entryOf(signature: Signature, changes: Partial<SigningEntry> = {}): SigningEntry {
  return {
    entryId: `entry of ${signature.id}`,
    at: signature.at,
    actor: signature.accountId,
    subjectKind: signature.subject.kind,
    subjectId: signature.subject.id,
    signatureId: signature.id,
    signatureDigest: signature.digest,
    ...changes,
  };
}
