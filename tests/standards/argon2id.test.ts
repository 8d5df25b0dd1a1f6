import { verify } from '@node-rs/argon2';
import { describe, expect, it } from 'vitest';
import { Passwords } from '../../src/access/passwords.service.js';
import { PASSWORD } from '../support/people.js';

/** Tags of the reference implementation's own test (Argon2id, version 0x13), from memory. */
const REFERENCE: readonly [string, string, string, string][] = [
  [
    'm=65536,t=2,p=1',
    'password',
    'somesalt',
    '09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7',
  ],
  [
    'm=256,t=2,p=2',
    'password',
    'somesalt',
    '6d093c501fd5999645e0ea3bf620d7b8be7fd2db59c20d9fff9539da2bf57037',
  ],
  [
    'm=65536,t=2,p=1',
    'differentpassword',
    'somesalt',
    '0b84d652cf6b0c4beaef0dfe278ba6a80df6696281d7e0d2891b817d8c458fde',
  ],
];

const phc = (bytes: Buffer) => bytes.toString('base64').replace(/=+$/, '');

describe('Argon2id', () => {
  it.each(REFERENCE)(
    'gives the tag of the reference implementation for %s, %s',
    async (cost, password, salt, tag) => {
      const stored = `$argon2id$v=19$${cost}$${phc(Buffer.from(salt))}$${phc(Buffer.from(tag, 'hex'))}`;
      expect(await verify(stored, password)).toBe(true);
      expect(await verify(stored, `${password} `)).toBe(false);
    },
  );

  it('is used with the second recommended option of RFC 9106, a salt of its own each time', async () => {
    const passwords = new Passwords();
    const [one, other] = [await passwords.hash(PASSWORD), await passwords.hash(PASSWORD)];
    // 3 passes, 64 MiB, 4 lanes; 128 bits of salt and 256 of tag are 22 and 43 characters (figures from memory).
    expect(one).toMatch(
      /^\$argon2id\$v=19\$m=65536,t=3,p=4\$[A-Za-z0-9+/]{22}\$[A-Za-z0-9+/]{43}$/,
    );
    expect(one).not.toBe(other);
    expect([await passwords.matches(one, PASSWORD), await passwords.matches(one, 'x')]).toEqual([
      true,
      false,
    ]);
  });

  it('is worked for a name that nobody has as long as for a wrong password', async () => {
    const passwords = new Passwords();
    const stored = await passwords.hash(PASSWORD);
    await passwords.matches(null, 'x');
    const medianMs = async (of: string | null, password: string) => {
      const times: number[] = [];
      for (let n = 0; n < 5; n += 1) {
        const start = performance.now();
        expect(await passwords.matches(of, password)).toBe(false);
        times.push(performance.now() - start);
      }
      return times.toSorted((a, b) => a - b)[2] ?? 0;
    };
    const wrong = await medianMs(stored, 'wrong wrong wrong');
    // Without the work it would be a hundredth or less; a busy machine makes the rest of the difference.
    expect(await medianMs(null, 'wrong wrong wrong')).toBeGreaterThan(wrong / 4);
    expect(await medianMs(stored, 'x'.repeat(10_000))).toBeGreaterThan(wrong / 4);
  });
});
