import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { canonicalJson, type JsonValue, sha256 } from '../../src/formats/canonical-json.js';
import { bindShown, differences, validityOf } from '../../src/signatures/shown-document.js';
import { SHOWN, signed } from './signed.js';

describe('what is shown', () => {
  it('is bound by the SHA-256 of its RFC 8785 form, stored beside it', () => {
    const { text, sha256: digest } = bindShown(SHOWN);
    // RFC 8785: members by UTF-16 code units, no white space.
    expect(text).toBe(
      '{"context":{"state":"held"},"record":{"a/b~c":"1.50","decision":"pass","findings":[{"code":"time-offset"}]},"subject":{"id":"row-1","kind":"result","revision":1}}',
    );
    expect(digest).toBe(sha256(text));
  });

  it('has another digest when anything of it differs, the context too', () => {
    const digest = bindShown(SHOWN).sha256;
    expect(bindShown({ ...SHOWN, context: { state: 'accepted' } }).sha256).not.toBe(digest);
    expect(bindShown({ ...SHOWN, record: null }).sha256).not.toBe(digest);
  });
});

describe('a signature', () => {
  const { subject, record } = SHOWN;

  it('is valid while its record reads as it did, whatever became of the context', () => {
    expect(validityOf(signed(), { subject, record })).toEqual({ kind: 'valid' });
  });

  it('is void once the record changed, and says which members by JSON Pointer (RFC 6901)', () => {
    const changed = { decision: 'fail', findings: [], 'a/b~c': '1.5' };
    expect(validityOf(signed(), { subject, record: changed })).toEqual({
      kind: 'void',
      changed: ['/a~1b~0c', '/decision', '/findings/0'],
    });
  });

  it('is void as a whole for another revision, another record, and one that is gone', () => {
    const whole = { kind: 'void', changed: [''] };
    expect(validityOf(signed(), { subject: { ...subject, revision: 2 }, record })).toEqual(whole);
    expect(validityOf(signed(), { subject: { ...subject, id: 'row-2' }, record })).toEqual(whole);
    expect(validityOf(signed(), null)).toEqual(whole);
  });

  it('is void when any field of it is not as it was made', () => {
    const made = signed();
    const current = { subject, record };
    for (const altered of [
      { ...made, meaning: 'refused' as const },
      { ...made, printedName: 'Somebody Else' },
      { ...made, at: (made.at + 1) as typeof made.at },
      { ...made, reason: 'other' },
      { ...made, shown: canonicalJson({ ...SHOWN, context: null }) },
      { ...made, subject: { ...subject, id: 'row-2' } },
    ]) {
      expect(validityOf(altered, current)).toEqual({ kind: 'void', changed: [''] });
    }
  });
});

describe('differences', () => {
  const value = fc.jsonValue({ maxDepth: 4 }) as fc.Arbitrary<JsonValue>;

  it('are none exactly when the canonical forms are the same', () => {
    fc.assert(
      fc.property(value, value, (a, b) => {
        expect(differences(a, a)).toEqual([]);
        expect(differences(a, b).length === 0).toBe(canonicalJson(a) === canonicalJson(b));
      }),
    );
  });

  it('tell a member that is null from one that is not there', () => {
    expect(differences({ a: null }, {})).toEqual(['/a']);
    expect(differences([1], [1, null])).toEqual(['/1']);
    expect(differences({}, [])).toEqual(['']);
  });
});
