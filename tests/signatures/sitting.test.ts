import { describe, expect, it } from 'vitest';
import { addMs } from '../../src/formats/instant.js';
import {
  componentsNeeded,
  SITTING_IDLE_MINUTES,
  type Sitting,
} from '../../src/signatures/sitting.js';
import { AT } from './signed.js';

/**
 * 21 CFR 11.200(a)(1)(i): in one continuous period of controlled access the first signing takes all components,
 * later ones at least one that only the signer can use; (ii): otherwise each takes all. How long "continuous"
 * is, is the site's to say; ten idle minutes is common practice, no source.
 */
const sitting: Sitting = { id: 's', accountId: 'a', lastAt: AT, signed: 1, endedAt: null };
const idle = SITTING_IDLE_MINUTES * 60_000;
const ALL = 'user-name-and-password';

describe('a signature of a sitting', () => {
  it('takes all components at first, and the password after that', () => {
    expect(componentsNeeded(null, 'a', AT)).toBe(ALL);
    expect(componentsNeeded(sitting, 'a', AT)).toBe('password');
    expect(componentsNeeded(sitting, 'a', addMs(AT, idle))).toBe('password');
  });

  it('takes all again after idle minutes, an end, in another account, and when the clock went back', () => {
    expect(componentsNeeded(sitting, 'a', addMs(AT, idle + 1))).toBe(ALL);
    expect(componentsNeeded({ ...sitting, endedAt: AT }, 'a', AT)).toBe(ALL);
    expect(componentsNeeded(sitting, 'b', AT)).toBe(ALL);
    expect(componentsNeeded(sitting, null, AT)).toBe(ALL);
    expect(componentsNeeded(sitting, 'a', addMs(AT, -1))).toBe(ALL);
    expect(componentsNeeded({ ...sitting, signed: 0 }, 'a', AT)).toBe(ALL);
  });
});
