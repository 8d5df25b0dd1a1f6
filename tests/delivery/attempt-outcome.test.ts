import { describe, expect, it } from 'vitest';
import { type AnswerExpectation, classifySend } from '../../src/delivery/attempt-outcome.js';
import type { Answer } from '../../src/delivery/endpoint.js';
import { instantFromMillis } from '../../src/formats/instant.js';

const NOW = instantFromMillis(Date.UTC(2026, 10, 25, 9));
const EXPECTED: AnswerExpectation = {
  honoursKey: false,
  format: 'json',
  receipt: { echo: [{ sent: '/reference', held: '/reference' }], reference: '/number' },
  payload: { reference: 'D-1' },
};
const KEYED: AnswerExpectation = { ...EXPECTED, honoursKey: true };

function answer(status: number, body: unknown = '', more: Partial<Answer> = {}): Answer {
  const text = typeof body === 'string' ? body : JSON.stringify(body);
  return {
    kind: 'answered',
    status,
    retryAfter: null,
    body: Buffer.from(text),
    isCut: false,
    ...more,
  };
}

const classify = (result: Parameters<typeof classifySend>[0], expected = EXPECTED) =>
  classifySend(result, expected, NOW);

// Source of the statuses: outcome table of the project's design (§8). The retry table for RFC 9110 in
// standards/integrity-and-exchange.md is the outer source; where the design is stricter the row says so.
describe('classifySend by status', () => {
  it.each([
    // The same request may go again: nothing was processed.
    [408, 'unavailable'],
    [425, 'unavailable'],
    [429, 'unavailable'],
    [503, 'unavailable'],
    // Retry table: "with back-off"; design: may follow a commit, so a doubt.
    [500, 'uncertain'],
    [502, 'uncertain'],
    [504, 'uncertain'],
    [507, 'uncertain'],
    [401, 'credentials'],
    // Never again by itself: a person decides.
    [400, 'rejected'],
    [403, 'rejected'],
    [404, 'rejected'],
    [405, 'rejected'],
    [406, 'rejected'],
    [410, 'rejected'],
    [412, 'rejected'],
    [413, 'rejected'],
    [415, 'rejected'],
    [428, 'rejected'],
    [501, 'rejected'],
    [505, 'rejected'],
    // No silent follow.
    [301, 'rejected'],
    [302, 'rejected'],
    [303, 'rejected'],
    [304, 'rejected'],
    [307, 'rejected'],
    [308, 'rejected'],
    // Statuses nobody defined.
    [599, 'uncertain'],
    [199, 'uncertain'],
  ])('%i is %s', (status, kind) => {
    expect(classify(answer(status)).kind).toBe(kind);
    expect(classify(answer(status), KEYED).kind).toBe(kind);
  });

  // Source: Idempotency-Key draft -07: 409 while the first still runs, 422 for a reused key.
  it.each([
    [409, 'key-busy', 'rejected'],
    [422, 'key-conflict', 'rejected'],
  ])('%i speaks of our key only where keys are honoured', (status, keyed, unkeyed) => {
    expect(classify(answer(status), KEYED).kind).toBe(keyed);
    expect(classify(answer(status), EXPECTED).kind).toBe(unkeyed);
  });

  it('keeps the destination’s words on one line, without control characters, and cut', () => {
    const outcome = classify(answer(400, `lot\u0000 \r\n unknown ${'x'.repeat(3000)}`));
    expect(outcome).toMatchObject({ kind: 'rejected' });
    if (outcome.kind !== 'rejected') throw new Error('not rejected');
    expect(outcome.detail).toMatch(/^status 400: lot unknown x+$/);
    expect(outcome.detail.length).toBeLessThan(600);
  });

  it('hands Retry-After on with a 503', () => {
    expect(classify(answer(503, '', { retryAfter: '7' }))).toMatchObject({ retryAfterMs: 7000 });
  });
});

describe('classifySend of a 2xx', () => {
  it('accepts the declared receipt and keeps the number', () => {
    const good = answer(201, { stored: true, number: 'L-000001', reference: 'D-1' });
    expect(classify(good)).toEqual({ kind: 'accepted', reference: 'L-000001' });
  });

  it('reads an XML receipt where the mapping says XML, whatever the content type', () => {
    const xml = answer(200, '<Receipt><Number>E-1</Number><Reference>D-1</Reference></Receipt>');
    const expected: AnswerExpectation = {
      honoursKey: true,
      format: 'xml',
      receipt: {
        echo: [{ sent: '/Message/Reference', held: '/Receipt/Reference' }],
        reference: '/Receipt/Number',
      },
      payload: { Message: { Reference: 'D-1' } },
    };
    expect(classify(xml, expected)).toEqual({ kind: 'accepted', reference: 'E-1' });
  });

  it.each([
    ['an empty body', answer(200, '')],
    ['HTML', answer(200, '<html>signed out</html>')],
    ['bytes that are not UTF-8', { ...answer(200), body: new Uint8Array([0xff, 0xfe]) }],
    ['another reference', answer(200, { number: 'L-1', reference: 'D-2' })],
    ['no reference', answer(200, { number: 'L-1' })],
    ['no number', answer(200, { reference: 'D-1' })],
    ['an empty number', answer(200, { number: '', reference: 'D-1' })],
    ['null', answer(200, 'null')],
    ['a cut answer', answer(200, { number: 'L-1', reference: 'D-1' }, { isCut: true })],
    ['an accepted-for-later', answer(202, {})],
  ])('doubts %s', (_, result) => {
    expect(classify(result).kind).toBe('uncertain');
  });

  // RFC 8259 §4: names "SHOULD be unique"; of one that is not, some readers report the first, some the last, some both.
  it.each([
    ['the reference', '{"number":"L-1","reference":"D-2","reference":"D-1"}'],
    ['the number', '{"number":"L-2","number":"L-1","reference":"D-1"}'],
    [
      'the number, written with an escape',
      '{"number":"L-2","n\\u0075mber":"L-1","reference":"D-1"}',
    ],
    ['something within', '{"number":"L-1","reference":"D-1","more":[{"a":1,"a":2}]}'],
  ])('doubts an answer that says %s twice, and says where', (_, text) => {
    const outcome = classify(answer(200, text));
    expect(outcome).toMatchObject({ kind: 'uncertain' });
    expect(outcome).toHaveProperty(
      'detail',
      expect.stringMatching(
        /^status 200, but the answer cannot be read as json \(duplicate-key, line 1, byte \d+\): \{/,
      ),
    );
  });

  it('reads an answer behind a byte order mark, which RFC 8259 §8.1 lets a reader ignore', () => {
    const marked = answer(200, '\ufeff{"number":"L-1","reference":"D-1"}');
    expect(classify(marked)).toEqual({ kind: 'accepted', reference: 'L-1' });
  });

  it('believes any 2xx where the mapping declares no receipt', () => {
    const bare: AnswerExpectation = { ...EXPECTED, receipt: { echo: [], reference: null } };
    expect(classify(answer(204), bare)).toEqual({ kind: 'accepted', reference: null });
  });
});

describe('classifySend without an answer', () => {
  it.each([
    [{ kind: 'unreached', detail: 'ECONNREFUSED' } as const, 'unavailable'],
    [{ kind: 'postponed', detail: 'the process slept' } as const, 'postponed'],
    [{ kind: 'broken', detail: 'ECONNRESET' } as const, 'uncertain'],
    [{ kind: 'denied', detail: 'EACCES' } as const, 'credentials'],
    [{ kind: 'conflict', detail: 'other content' } as const, 'key-conflict'],
    [{ kind: 'stored', reference: 'a.json', existed: true } as const, 'accepted'],
  ])('%o is %s', (result, kind) => {
    expect(classify(result).kind).toBe(kind);
  });
});
