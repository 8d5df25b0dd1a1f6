import { describe, expect, it } from 'vitest';
import type { Answer } from '../../src/delivery/endpoint.js';
import {
  compareHeld,
  type ReadBackOf,
  readAnswer,
  unlessOurs,
} from '../../src/delivery/read-back-answer.js';
import {
  type AskFacts,
  judgeReadBack,
  SLOW_ASK_MS,
} from '../../src/delivery/read-back-judgement.js';
import type { Decimal } from '../../src/formats/decimal.js';
import { addMs, instantFromMillis } from '../../src/formats/instant.js';
import { TIMING } from './northquay-bench.js';

const SENT = {
  reference: 'D-1',
  receipt: 'R-1',
  revision: '3',
  score: '0.970',
  containers: ['C-1', 'C-2'],
};
const PAYLOAD = Buffer.from(JSON.stringify(SENT));
const READ_BACK: ReadBackOf = {
  request: { method: 'GET', path: 'messages?reference={deliveryId}' },
  items: '/entries',
  compare: [
    { sent: '/reference', held: '/reference', as: 'exact' },
    { sent: '/receipt', held: '/receipt', as: 'exact' },
    { sent: '/score', held: '/score', as: 'decimal' },
    { sent: '/containers', held: '/containers', as: 'exact' },
  ],
  applied: { held: '/applied', value: 'true' },
  revision: { sent: '/revision', held: '/revision' },
  absentStatus: null,
  about: new Set(['/receipt']),
};
const HELD = { ...SENT, score: 0.97, applied: true };

describe('compareHeld', () => {
  const compare = (...items: unknown[]) => compareHeld(items, SENT, READ_BACK);

  it('confirms one equal message by the declared equivalence', () => {
    expect(compare(HELD)).toEqual({ kind: 'one' });
  });

  it.each([
    ['another value', { ...HELD, score: '0.971' }, '/score: expected "0.970", found "0.971"'],
    ['a missing value', { ...HELD, score: undefined }, '/score: expected "0.970", found nothing'],
    ['a container less', { ...HELD, containers: ['C-1'] }, '/containers'],
    ['containers in another order', { ...HELD, containers: ['C-2', 'C-1'] }, '/containers'],
    ['an object where a value was sent', { ...HELD, score: {} }, 'found no single value'],
  ])('names the field that differs: %s', (_, item, words) => {
    const answer = compare(item);
    expect(answer.kind).toBe('differs');
    if (answer.kind === 'differs') expect(answer.detail).toContain(words);
  });

  it('tells nothing, received, and several apart', () => {
    expect(compare()).toEqual({ kind: 'absent' });
    expect(compare({ ...HELD, applied: false })).toEqual({
      kind: 'received-not-applied',
      field: '/applied',
      later: null,
    });
    expect(compare(HELD, HELD)).toEqual({ kind: 'several', count: 2, isApplied: true });
    expect(compare(HELD, { ...HELD, score: '0.5' }).kind).toBe('differs');
  });

  it('reads a later revision in force as ours received and overtaken', () => {
    const later = { ...HELD, revision: '4', score: '0.1' };
    const of = (revision: string) => ({ field: '/revision', revision });
    expect(compare(later)).toEqual({ kind: 'overtaken', later: of('4') });
    expect(compare(later, { ...later, revision: '10' }, later)).toEqual({
      kind: 'overtaken',
      later: of('10'),
    });
    expect(compare({ ...HELD, revision: '2' })).toEqual({ kind: 'one' });
  });

  it('takes a later revision for something else where none of ours is that high', () => {
    const answer = compare({ ...HELD, revision: '10', score: '0.1' });
    expect(unlessOurs(answer, 10)).toBe(answer);
    const detail = '/revision: revision 10 is held, and none of ours above 9 went there';
    expect(unlessOurs(answer, 9)).toEqual({
      kind: 'differs',
      detail,
      differences: [{ field: '/revision', detail }],
    });
    expect(unlessOurs({ kind: 'one' }, 1)).toEqual({ kind: 'one' });
  });

  it('names every field that differs, in the order in which they are compared', () => {
    const answer = compare({ ...HELD, score: '0.1', containers: [] });
    expect(answer).toMatchObject({
      kind: 'differs',
      detail: '/score: expected "0.970", found "0.1"',
      differences: [{ field: '/score' }, { field: '/containers' }],
    });
  });

  it('takes no higher revision of something else for ours overtaken', () => {
    const other = { ...HELD, reference: 'D-9', receipt: 'R-9', revision: '4' };
    expect(compare(other).kind).toBe('differs');
    expect(compare({ ...other, receipt: undefined }).kind).toBe('differs');
  });

  it('waits for a later revision that is received and not applied: it is not in force', () => {
    const later = { ...HELD, reference: 'D-2', revision: '4', applied: false };
    expect(compare(later)).toEqual({
      kind: 'received-not-applied',
      field: '/applied',
      later: { field: '/revision', revision: '4' },
    });
    expect(compare(HELD, later)).toEqual({ kind: 'one' });
  });
});

describe('an answer that writes identifiers as JSON numbers', () => {
  // RFC 8259 §6: beyond 2^53 readers need not agree on a whole number; RFC 7493 §2.2 has it sent as text.
  // Real ones are that long: an SSCC has 18 digits (GS1 General Specifications 3.2).
  const read = (sent: string, held: string) =>
    readAnswer(
      {
        kind: 'answered',
        status: 200,
        retryAfter: null,
        body: Buffer.from(`{"entries":[{"container":${held}}]}`),
        isCut: false,
      },
      {
        ...READ_BACK,
        compare: [{ sent: '/container', held: '/container', as: 'exact' }],
        applied: null,
        revision: null,
      },
      'json',
      { bytes: PAYLOAD, tree: { container: sent } },
    ).kind;

  it.each([
    ['106141412345678910', '106141412345678908', 'differs'],
    ['106141412345678908', '106141412345678908', 'one'],
    ['9007199254740992', '9007199254740993', 'differs'],
    ['1000000000000000000001', '1000000000000000000001', 'one'],
    ['12345', '12345', 'one'],
  ])('compares every digit: %s with %s', (sent, held, kind) => {
    expect(read(sent, held)).toBe(kind);
    expect(read(sent, `[${held}]`)).toBe(kind);
  });
});

describe('readAnswer', () => {
  const answered = (status: number, text: string, isCut = false): Answer => ({
    kind: 'answered',
    status,
    retryAfter: null,
    body: Buffer.from(text),
    isCut,
  });
  const read = (result: Parameters<typeof readAnswer>[0], format: 'json' | 'xml' = 'json') =>
    readAnswer(result, READ_BACK, format, {
      bytes: PAYLOAD,
      tree: format === 'json' ? SENT : null,
    }).kind;

  it.each([
    ['a list with our entry', answered(200, JSON.stringify({ entries: [HELD] })), 'one'],
    [
      'a single element, as XML writes a list of one',
      answered(200, JSON.stringify({ entries: HELD })),
      'one',
    ],
    ['an empty list', answered(200, '{"entries":[]}'), 'absent'],
    ['an empty list, written as nothing', answered(200, '{"entries":null}'), 'absent'],
    ['an error document with status 200', answered(200, '{"error":"later"}'), 'unavailable'],
    ['404', answered(404, ''), 'unavailable'],
    ['404 of something in front', answered(404, '<html>no such service</html>'), 'unavailable'],
    ['410', answered(410, ''), 'unavailable'],
    ['500', answered(500, ''), 'unavailable'],
    ['401', answered(401, ''), 'unavailable'],
    ['a sign-in page', answered(200, '<html></html>'), 'unavailable'],
    ['a cut answer', answered(200, '{"entries":[]}', true), 'unavailable'],
    [
      'an entry that is applied and is not',
      answered(200, JSON.stringify({ entries: [HELD] }).replace('{"ref', '{"applied":false,"ref')),
      'unavailable',
    ],
    [
      'two lists, one with another entry',
      answered(200, `{"entries":[{}],"entries":[${JSON.stringify(HELD)}]}`),
      'unavailable',
    ],
    [
      'two lists, one of them empty',
      answered(200, `{"entries":[${JSON.stringify(HELD)}],"entries":[]}`),
      'unavailable',
    ],
  ])('%s', (_, result, kind) => {
    expect(read(result)).toBe(kind);
  });

  it('takes a 404 for "none" only where the mapping declares it, and no other status for it', () => {
    const declared: ReadBackOf = { ...READ_BACK, absentStatus: 404 };
    const readDeclared = (status: number) =>
      readAnswer(answered(status, ''), declared, 'json', { bytes: PAYLOAD, tree: SENT });
    expect(readDeclared(404)).toEqual({ kind: 'absent' });
    for (const status of [204, 302, 401, 410, 502]) {
      expect(readDeclared(status).kind, String(status)).toBe('unavailable');
    }
    const undeclared = readAnswer(answered(404, ''), READ_BACK, 'json', {
      bytes: PAYLOAD,
      tree: SENT,
    });
    expect(undeclared).toMatchObject({ detail: expect.stringContaining('absentStatus') });
  });

  it('compares a held file byte by byte', () => {
    expect(read({ kind: 'held', content: PAYLOAD })).toBe('one');
    expect(read({ kind: 'held', content: PAYLOAD.subarray(1) })).toBe('differs');
    expect(read({ kind: 'absent' })).toBe('absent');
    expect(read({ kind: 'unavailable', detail: 'EIO' })).toBe('unavailable');
  });
});

const SENT_AT = instantFromMillis(Date.UTC(2026, 10, 25, 9));
const SETTLED = addMs(SENT_AT, TIMING.deadlineMs + TIMING.settleMs);
const DOUBT: AskFacts = {
  state: 'uncertain',
  sentAt: SENT_AT,
  attempts: 1,
  asks: 1,
  absentAsks: 0,
  maySend: true,
};

// Source: release-safety rule 26 and design §8 ("absent (settling time, n times), one, several, differs,
// unavailable").
describe('judgeReadBack', () => {
  const judge = (
    answer: Parameters<typeof judgeReadBack>[1],
    facts: Partial<AskFacts> = {},
    now = SETTLED,
  ) => judgeReadBack({ ...DOUBT, ...facts }, answer, TIMING, now, 0);

  it('does not count an absent before deadline and settling time are over', () => {
    const early = addMs(SETTLED, -1);
    expect(judge({ kind: 'absent' }, { absentAsks: 1 }, early)).toEqual({
      kind: 'wait',
      at: addMs(early, 1),
      absentAsks: 0,
      fault: null,
      detail: null,
    });
  });

  it('resends only after as many absents in a row as declared', () => {
    const first = judge({ kind: 'absent' });
    expect(first).toMatchObject({ kind: 'wait', absentAsks: 1 });
    if (first.kind === 'wait') expect(first.at).toBe(addMs(SETTLED, TIMING.settleMs));
    expect(judge({ kind: 'absent' }, { absentAsks: 1 })).toMatchObject({ kind: 'resend' });
  });

  it('starts counting anew after an answer that said nothing', () => {
    expect(judge({ kind: 'unavailable', detail: '503' }, { absentAsks: 1 })).toMatchObject({
      kind: 'wait',
      absentAsks: 0,
    });
  });

  it('names an absent of what was accepted, and does not send it a second time', () => {
    expect(judge({ kind: 'absent' }, { state: 'accepted', absentAsks: 1 })).toMatchObject({
      kind: 'wait',
      at: addMs(SETTLED, SLOW_ASK_MS),
      fault: 'absent',
    });
  });

  it('retires an absent message that a stop or a later statement bars (rule 21)', () => {
    expect(judge({ kind: 'absent' }, { absentAsks: 1, maySend: false }).kind).toBe('retire');
  });

  it('parks an absent message whose attempts are used up', () => {
    const facts = { absentAsks: 1, attempts: TIMING.attemptsMax };
    expect(judge({ kind: 'absent' }, facts)).toMatchObject({ kind: 'park', fault: 'absent' });
  });

  it('confirms one, and several with the double named', () => {
    expect(judge({ kind: 'one' })).toMatchObject({ kind: 'confirm', fault: null });
    const later = { field: '/revision', revision: '4' as Decimal };
    expect(judge({ kind: 'overtaken', later })).toMatchObject({ kind: 'confirm', fault: null });
    expect(judge({ kind: 'several', count: 2, isApplied: true })).toMatchObject({
      kind: 'confirm',
      fault: 'duplicate',
    });
    expect(judge({ kind: 'several', count: 2, isApplied: false })).toMatchObject({
      kind: 'wait',
      fault: 'duplicate',
    });
  });

  it('never resends what differs', () => {
    const differs = { kind: 'differs', detail: '/score', differences: [] } as const;
    expect(judge(differs)).toMatchObject({ kind: 'park', fault: 'differs', isAccepted: false });
    expect(judge(differs, { state: 'accepted' })).toMatchObject({ isAccepted: true });
  });

  it('waits for what is received and not applied, then names it', () => {
    const late = addMs(SETTLED, TIMING.processingMs);
    const received = { kind: 'received-not-applied', field: '/applied', later: null } as const;
    expect(judge(received)).toMatchObject({ kind: 'wait', fault: null });
    expect(judge(received, {}, late)).toMatchObject({
      kind: 'wait',
      fault: 'not-effective',
    });
  });

  it('asks an unavailable destination ever more rarely, without end', () => {
    const unavailable = { kind: 'unavailable', detail: 'refused' } as const;
    const waits = [1, 3, TIMING.attemptsMax, 1_000].map((asks) => {
      const step = judge(unavailable, { asks });
      return step.kind === 'wait' ? (step.at - SETTLED) / 1000 : null;
    });
    expect(waits).toEqual([100, 400, SLOW_ASK_MS, SLOW_ASK_MS]);
  });
});
