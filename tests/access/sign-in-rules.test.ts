import { describe, expect, it } from 'vitest';
import { clientOf, isFromOurPages } from '../../src/access/client.js';
import {
  blockedUntil,
  countTry,
  NAME_RULE,
  NO_TRIES,
  type Tries,
} from '../../src/access/lock-out.js';
import { passwordFault } from '../../src/access/password-rules.js';
import { returnPath } from '../../src/access/return-path.js';
import {
  formatSessionSecret,
  formTokenOf,
  readSessionCookie,
  sessionCookie,
  sessionOver,
} from '../../src/access/session-rules.js';
import { foldName, printedNameFault, userNameFault } from '../../src/access/user-name.js';
import { addMs, type Instant, msBetween } from '../../src/formats/instant.js';

const NOW = 1_800_000_000_000_000 as Instant;

describe('a user name', () => {
  it.each([
    ['mira.holt', 'MIRA.Holt'],
    ['mira', 'ｍｉｒａ'],
    // Unicode Standard Annex #15: a composed letter and its parts are canonically equivalent.
    ['ren\u00e9', 'RENE\u0301'],
    // SpecialCasing: sharp s upper-cases to SS, so the two fold alike.
    ['strasse', 'stra\u00dfe'],
    // The ligature fi has a compatibility decomposition.
    ['fiona', '\ufb01ona'],
    // A final and a medial sigma are one letter.
    ['\u03bf\u03b4\u03bf\u03c2', '\u03bf\u03b4\u03bf\u03c3'],
  ])('is one name, written %s or %s', (one, other) => {
    expect(foldName(other)).toBe(foldName(one));
  });

  it('of somebody else is not folded into it', () => {
    expect(foldName('mira')).not.toBe(foldName('mirna'));
  });

  it.each(['', 'x', '.mira', 'mi ra', 'mira\u0000', 'mi\u200bra', 'a'.repeat(65), '<b>mira'])(
    'is refused when it is %j',
    (name) => expect(userNameFault(name)).not.toBeNull(),
  );

  it('beside a signature shows what it is', () => {
    expect(printedNameFault('Mira Holt')).toBeNull();
    for (const name of [' ', 'Mira\u202eHolt', 'Mira\nHolt', 'M'.repeat(101)]) {
      expect([name, printedNameFault(name)]).not.toEqual([name, null]);
    }
  });
});

describe('a new password', () => {
  const context = {
    userName: 'mira.holt',
    printedName: 'Mira Holt',
    siteWords: ['Northquay (simulated)', 'East dock'],
  };
  it.each([
    ['copper lantern under seven drums', null],
    // No rule of composition: letters alone, digits alone, other scripts.
    ['sieben graue kessel am kai', null],
    ['длинная фраза из слов', null],
    ['elevenchars', /11 characters/],
    ['x'.repeat(129), /more than 128/],
    ['x'.repeat(10_000), /more than 128/],
    ['aaaaaaaaaaaaaaaa', /different characters/],
    ['my name is Mira.Holt', /user name/],
    ['northquay2026!', /obvious words/],
    ['Password1234Raman', /obvious words/],
    ['MiraHolt-eastdock', /obvious words/],
    ['copper\u0000lantern under', /control character/],
  ])('%s', (password, fault) => {
    const found = passwordFault(password, context);
    if (fault === null) expect(found).toBeNull();
    else expect(found).toMatch(fault);
  });

  it('counts characters, not halves of them', () => {
    expect(passwordFault('🛢️🐫🧪📦🔬'.repeat(2), context)).toBeNull();
    expect(passwordFault('🛢🐫🧪📦🔬🧊', context)).toMatch(/6 characters/);
  });
});

describe('lock-out', () => {
  it('doubles from a minute to an hour, and forgets after a day', () => {
    let tries: Tries = NO_TRIES;
    let now = NOW;
    const minutes: number[] = [];
    for (let n = 0; n < 13; n += 1) {
      tries = countTry(tries, NAME_RULE, now);
      minutes.push(tries.blockedUntil === null ? 0 : msBetween(now, tries.blockedUntil) / 60_000);
      now = tries.blockedUntil ?? now;
    }
    expect(minutes).toEqual([0, 0, 0, 0, 1, 2, 4, 8, 16, 32, 60, 60, 60]);
    expect(countTry(tries, NAME_RULE, addMs(tries.lastAt, 24 * 3_600_000)).failures).toBe(1);
  });

  it('is not lengthened by a clock that was set back', () => {
    const tries = { failures: 5, lastAt: NOW, blockedUntil: addMs(NOW, 60_000) };
    expect(blockedUntil(tries, NAME_RULE, addMs(NOW, 59_999))).toBe(tries.blockedUntil);
    expect(blockedUntil(tries, NAME_RULE, addMs(NOW, -3 * 24 * 3_600_000))).toBeNull();
  });
});

describe('a session', () => {
  const limits = { idleMs: 900_000, absoluteMs: 43_200_000 };
  const session = { seenAt: NOW, expiresAt: addMs(NOW, 3_600_000) };
  it.each([
    [0, null],
    [899_999, null],
    [900_000, 'not used for too long'],
    [3_600_000, 'lasted as long as it may'],
    [-5_000, null],
    [-5_001, 'clock set back'],
    [-86_400_000, 'clock set back'],
  ])('that was seen %d ms ago', (ms, over) => {
    expect(sessionOver(session, limits, addMs(NOW, ms))).toBe(over);
  });

  it('has a cookie for this host only, out of reach of scripts and of other sites', () => {
    const secret = formatSessionSecret(new Uint8Array(32).fill(7));
    expect(sessionCookie(secret)).toBe(
      `__Host-drumline=${secret}; Path=/; Secure; HttpOnly; SameSite=Strict`,
    );
    expect(readSessionCookie(`a=b; __Host-drumline=${secret}`)).toBe(secret);
    expect(readSessionCookie('drumline=x')).toBeNull();
    for (const bad of [`${secret}x`, secret.slice(1), '', `${secret.slice(1)}%`]) {
      expect(readSessionCookie(`__Host-drumline=${bad}`)).toBe('malformed');
    }
    expect(readSessionCookie(`__Host-drumline=${secret}; __Host-drumline=${secret}`)).toBe(
      'malformed',
    );
  });

  it('has a form token of its own, which does not tell its secret', () => {
    const [one, other] = [1, 2].map((n) => formatSessionSecret(new Uint8Array(32).fill(n)));
    expect(formTokenOf(one ?? '')).toHaveLength(43);
    expect(formTokenOf(one ?? '')).not.toBe(formTokenOf(other ?? ''));
    expect(formTokenOf(one ?? '')).not.toContain(one);
  });
});

describe('where a sign-in leads', () => {
  it.each(['/', '/receipts/NQR-1?x=1', '/account', '/people/mira%40x'])('may be %s', (path) => {
    expect(returnPath(path)).toBe(path);
  });
  it.each([
    '//evil.example/x',
    '/\\evil.example',
    'https://evil.example/',
    'javascript:alert(1)',
    '/x\r\nset-cookie: a=b',
    '/a b',
    '/\\/evil',
    '/sign-out',
    '/sign-in?to=/sign-in',
    '/api/v1/keys',
    '',
    `/${'x'.repeat(2001)}`,
  ])('is the start instead of %j', (path) => expect(returnPath(path)).toBe('/'));
});

describe('who asks', () => {
  const from = (address: string, headers: Record<string, string>, isEncrypted = false) =>
    clientOf({ address, headers, isEncrypted }, ['10.0.0.5']);
  it('is this machine only when nothing says otherwise', () => {
    expect(from('::ffff:127.0.0.1', { host: 'localhost:7070' })).toMatchObject({
      address: '127.0.0.1',
      isThisMachine: true,
      isSecure: true,
    });
    for (const other of [
      from('127.0.0.1', { host: 'rebound.example' }),
      from('127.0.0.1', { host: 'localhost', 'x-forwarded-for': '203.0.113.9' }),
      from('203.0.113.9', { host: 'localhost' }),
    ]) {
      expect(other).toMatchObject({ isThisMachine: false, isSecure: false });
    }
  });
  it('is what a named proxy says, and nobody else', () => {
    const said = {
      host: 'dock.example',
      'x-forwarded-proto': 'https',
      'x-forwarded-for': '1.2.3.4, 203.0.113.9',
    };
    expect(from('10.0.0.5', said)).toEqual({
      address: '203.0.113.9',
      isSecure: true,
      isThisMachine: false,
      origin: 'https://dock.example',
    });
    expect(from('10.0.0.6', said)).toMatchObject({ address: '10.0.0.6', isSecure: false });
    expect(from('10.0.0.5', { host: 'dock.example' }).isSecure).toBe(false);
  });
  it('sends a form of ours only from our origin', () => {
    const client = from('203.0.113.9', { host: 'dock.example:8443' }, true);
    const ours = (headers: Record<string, string>) => isFromOurPages(client, headers);
    expect(ours({ origin: 'https://dock.example:8443' })).toBe(true);
    expect(ours({ 'sec-fetch-site': 'same-origin' })).toBe(true);
    for (const headers of [
      {},
      { origin: 'null' },
      { origin: 'https://evil.example' },
      { origin: 'http://dock.example:8443' },
      { origin: 'https://dock.example' },
      { 'sec-fetch-site': 'same-site' },
      { 'sec-fetch-site': 'none' },
      { origin: 'https://dock.example:8443', 'sec-fetch-site': 'cross-site' },
    ]) {
      expect([headers, ours(headers as Record<string, string>)]).toEqual([headers, false]);
    }
  });
});
