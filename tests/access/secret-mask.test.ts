import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { MASKED, maskBytes, maskOf } from '../../src/access/secret-mask.js';
import { encodingsOf } from '../support/secret-encodings.js';

/** The encoders are those of the platform: RFC 4648, RFC 3986, RFC 8259 and XML 1.0 as Node has them or by hand. */

const TOKEN = 'pl4nted"\\/+=&<token>.Az09~%25';
const visible = fc.string({
  unit: fc.integer({ min: 0x21, max: 0x7e }).map((code) => String.fromCharCode(code)),
  minLength: 12,
  maxLength: 60,
});

describe('maskOf', () => {
  it.each(encodingsOf(TOKEN))('takes a secret out: %s', (_name, encoded) => {
    const masked = maskOf([TOKEN])(`before ${encoded} after`);
    expect(masked).toContain(MASKED);
    expect(masked).not.toContain(encoded);
    expect(masked.startsWith('before ')).toBe(true);
    expect(masked.endsWith(' after')).toBe(true);
  });

  it('takes any secret out of base64 of any text around it, so that decoding no longer gives it', () => {
    fc.assert(
      fc.property(visible, fc.string({ maxLength: 9 }), fc.string({ maxLength: 9 }), (...texts) => {
        const [secret, before, after] = texts;
        const text = `${before}${secret}${after}`;
        for (const encoding of ['base64', 'base64url'] as const) {
          const masked = maskOf([secret])(Buffer.from(text).toString(encoding));
          expect(masked).toContain(MASKED);
          const rest = masked.split(MASKED).map((part) => Buffer.from(part, encoding).toString());
          for (const part of rest) expect(part).not.toContain(secret.slice(2, -2));
        }
      }),
    );
  });

  it('takes any secret out of JSON within JSON, and of percent-encoding twice', () => {
    fc.assert(
      fc.property(visible, (secret) => {
        const mask = maskOf([secret]);
        const json = JSON.stringify({ a: JSON.stringify({ authorization: `Bearer ${secret}` }) });
        expect(mask(json)).toContain(`Bearer ${MASKED}`);
        const twice = encodeURIComponent(encodeURIComponent(`Bearer ${secret}`));
        expect(mask(twice)).toBe(`Bearer%2520${MASKED}`);
      }),
    );
  });

  it('leaves JSON that held a secret readable', () => {
    const json = JSON.stringify({ status: 'stored', echo: { authorization: `Bearer ${TOKEN}` } });
    expect(JSON.parse(maskOf([TOKEN])(json))).toEqual({
      status: 'stored',
      echo: { authorization: `Bearer ${MASKED}` },
    });
  });

  it('finds every one of several secrets, and one whose characters are not ASCII', () => {
    const mask = maskOf(['first-secret', 'zweites-geheimnis-äöü']);
    expect(mask('first-secret / zweites-geheimnis-äöü / first-secret')).toBe(
      `${MASKED} / ${MASKED} / ${MASKED}`,
    );
    const bytes = Buffer.from('x zweites-geheimnis-äöü y');
    expect(Buffer.from(maskBytes(mask, bytes)).toString()).toBe(`x ${MASKED} y`);
  });

  it('changes nothing where no secret stands, and gives the very same bytes back', () => {
    const bytes = Buffer.from('{"state":"stored","nearly":"pl4nted\\"token"}\u00ff\u0000');
    expect(maskBytes(maskOf([TOKEN]), bytes)).toBe(bytes);
    expect(maskOf([])('anything at all')).toBe('anything at all');
    expect(maskOf([''])('anything at all')).toBe('anything at all');
  });

  it('is not made slow by an answer that is full of beginnings', () => {
    const mask = maskOf([TOKEN, '\\\\\\\\\\\\\\\\']);
    const begin = performance.now();
    for (const piece of ['\\', 'p', '%25', '&amp;', `${TOKEN.slice(0, -1)}`, '\\p', 'p\r\n\0']) {
      mask(piece.repeat(65_536 / piece.length));
    }
    // Quadratic search would take minutes; this says nothing about speed.
    expect(performance.now() - begin).toBeLessThan(10_000);
  });
});
