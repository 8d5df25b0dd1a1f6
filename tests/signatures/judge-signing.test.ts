import { describe, expect, it } from 'vitest';
import { type Right, rightsOfRoles } from '../../src/access/rights.js';
import { addMs } from '../../src/formats/instant.js';
import { judgeSigning, type SigningCase } from '../../src/signatures/judge-signing.js';
import { signatureManifest } from '../../src/signatures/signature.js';
import { AT, signed } from './signed.js';

const about: SigningCase = {
  signer: {
    accountIds: ['mira'],
    userName: 'r.reviewer',
    printedName: 'Rena Reviewer (simulated)',
    rights: rightsOfRoles(['reviewer']),
    everOperatorIds: ['NQ-OP 7'],
  },
  right: 'result.review',
  duty: { kind: 'judge-result', right: 'result.review', operatorIds: ['NQ-OP 1', null] },
  strangers: [],
  namedSha256: 'x',
  currentSha256: 'x',
  lastAt: AT,
  now: AT,
};

const why = (changes: Partial<SigningCase>) => judgeSigning({ ...about, ...changes })?.why ?? null;
const withRights = (...rights: Right[]) => ({ ...about.signer, rights: new Set(rights) });

describe('a signature is made', () => {
  it('by whoever has the right, of what was shown', () => {
    expect(why({})).toBeNull();
  });

  it('never without the right to sign and the right of the act', () => {
    expect(why({ signer: withRights('result.review') })).toBe('right-missing');
    expect(why({ signer: withRights('signature.make') })).toBe('right-missing');
    expect(why({ signer: { ...about.signer, rights: rightsOfRoles(['administrator']) } })).toBe(
      'right-missing',
    );
  });

  it('rule 15: never by who measured it, however the id is written', () => {
    for (const id of ['NQ-OP 7', ' nq-op 7 ', 'ＮＱ-op 7']) {
      const duty = { kind: 'judge-result', right: 'result.review', operatorIds: [id] } as const;
      expect(why({ duty })).toBe('duty-own-result');
    }
  });

  it('rule 15: never beside a name of no account that looks like one of the signer, others as they are', () => {
    for (const id of [
      'NQ OP7',
      'nq_op-7',
      'NQ-0P 7',
      'ΝQ-ОР 7',
      'R. Reviewer',
      'rena reviewer simulated',
    ]) {
      expect(why({ strangers: ['guest', id] })).toBe('duty-own-result');
    }
    expect(why({ strangers: ['guest', 'NQ-OP 8', '', '—'] })).toBeNull();
  });

  it('never of anything but what was shown', () => {
    expect(why({ namedSha256: 'y' })).toBe('signature-stale');
  });

  it('never at a time before the last entry about the record', () => {
    expect(why({ now: addMs(AT, -1) })).toBe('signature-clock-back');
    expect(why({ lastAt: null })).toBeNull();
  });
});

describe('the manifest of a signature (21 CFR 11.50)', () => {
  it('has the printed name, the time with its zone, and the meaning', () => {
    expect(signatureManifest(signed())).toMatchObject({
      printedName: 'Robin Reviewer (simulated)',
      at: '2026-03-04T09:15:30.000000Z',
      atSite: '2026-03-04T09:15:30.000000+00:00',
      zone: 'Europe/London',
      meaning: 'cleared',
    });
    const summer = signed({ at: (Date.UTC(2026, 6, 1, 9) * 1000) as typeof AT });
    expect(signatureManifest(summer).atSite).toBe('2026-07-01T10:00:00.000000+01:00');
  });
});
