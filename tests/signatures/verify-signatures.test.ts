import { describe, expect, it } from 'vitest';
import { type Signature, signatureDigest } from '../../src/signatures/signature.js';
import { verifySignatures } from '../../src/signatures/verify-signatures.js';
import { entryOf, SHOWN, signed } from './signed.js';

/** 21 CFR 11.70: signatures are linked to their records so that they cannot be excised, copied or transferred. */
const first = signed();
const second = signed(
  { id: 'signature-2', accountId: 'account-2', seriesNumber: 2 },
  { ...SHOWN, subject: { kind: 'result', id: 'row-2', revision: 1 } },
);
const entries = [entryOf(first), entryOf(second)];

function resigned(signature: Signature, changes: Partial<Signature>): Signature {
  const altered = { ...signature, ...changes };
  return { ...altered, digest: signatureDigest(altered) };
}

function faults(signatures: readonly Signature[], trail = entries) {
  return verifySignatures(signatures, trail).map((b) => `${b.signatureId} ${b.fault}`);
}

describe('signatures held against the trail', () => {
  it('are whole as they were made', () => {
    expect(faults([first, second])).toEqual([]);
    expect(verifySignatures([], [])).toEqual([]);
  });

  it('shows one whose fields were edited, each of them', () => {
    const fields = Object.keys(first).filter((f) => f !== 'digest') as (keyof Signature)[];
    for (const field of fields) {
      const value = first[field];
      const other =
        typeof value === 'number' ? value + 1 : typeof value === 'object' ? {} : 'other';
      const edited = { ...first, [field]: other } as Signature;
      expect(faults([edited, second], entries)[0]).toContain('altered');
    }
    expect(fields.length).toBe(16);
  });

  it('shows one that was edited with its digest fixed up', () => {
    expect(faults([resigned(first, { meaning: 'refused' }), second])).toEqual([
      'signature-1 other-digest',
    ]);
  });

  it('shows one whose document was exchanged, also with every digest in the row fixed up', () => {
    const other = signed({}, { ...SHOWN, record: { decision: 'fail' } });
    expect(faults([{ ...first, shown: other.shown }, second])).toEqual(['signature-1 altered']);
    expect(faults([resigned(first, { shown: other.shown }), second])).toEqual([
      'signature-1 shown-altered',
    ]);
    expect(faults([other, second])).toEqual(['signature-1 other-digest']);
  });

  it('shows one that was moved to another record', () => {
    const moved = resigned(first, { subject: second.subject });
    expect(faults([moved, second])).toEqual(['signature-1 other-digest']);
    const withEntry = [entryOf(moved, { subjectId: 'row-1' }), entryOf(second)];
    expect(faults([moved, second], withEntry)).toEqual(['signature-1 moved']);
  });

  it('shows a copy: it is in no entry, or in one that is another signature’s', () => {
    const copy = resigned(first, { id: 'signature-3', subject: second.subject });
    expect(faults([first, second, copy])).toEqual(['signature-3 not-in-trail']);
    const claimed = [...entries, entryOf(first, { entryId: 'other', subjectId: 'row-2' })];
    expect(faults([first, second], claimed)).toEqual(['signature-1 claimed-twice']);
  });

  it('shows one that was cut out', () => {
    expect(faults([second])).toEqual(['signature-1 missing']);
  });

  it('shows one under the name of another person than its act', () => {
    const trail = [entryOf(first, { actor: 'account-9' }), entryOf(second)];
    expect(faults([first, second], trail)).toEqual(['signature-1 moved']);
  });
});
