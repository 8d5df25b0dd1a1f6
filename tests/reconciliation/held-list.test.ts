import { describe, expect, it } from 'vitest';
import type { AskResult } from '../../src/delivery/endpoint.js';
import { readHeldPage } from '../../src/reconciliation/held-list.js';
import type { HeldList } from '../../src/site/mapping-document.js';
import { LIST } from './list.js';

function answer(body: unknown, more: Partial<Extract<AskResult, { kind: 'answered' }>> = {}) {
  const text = typeof body === 'string' ? body : JSON.stringify(body);
  return {
    kind: 'answered' as const,
    status: 200,
    retryAfter: null,
    body: Buffer.from(text),
    isCut: false,
    ...more,
  };
}

const read = (result: AskResult, cursor = '') => readHeldPage(result, LIST, 'json', cursor);

describe('a page of a list', () => {
  it('names a message about a period by the period, and never by a result', () => {
    const list: HeldList = { ...LIST, message: { held: '/kind', codes: { period: 'P' } } };
    const entries = [{ ref: 'd1', kind: 'P', period: 'p-1', result: 'r1', receipt: 'q', rev: '2' }];
    const page = readHeldPage(answer({ entries }), list, 'json', '');
    expect(page).toMatchObject({
      ok: true,
      items: [{ message: 'period', subject: 'p-1', revision: 2 }],
    });
  });

  it('tells two messages apart whose numbers differ beyond what a double shows', () => {
    // RFC 8259 §6: whole numbers beyond 2^53.
    const page = read(
      answer('{"entries":[{"no":106141412345678905},{"no":106141412345678908}],"next":""}'),
    );
    expect(page.ok && page.items.map(({ identity }) => identity)).toEqual([
      '106141412345678905',
      '106141412345678908',
    ]);
  });

  it('names each message by number, reference, subject and revision', () => {
    const page = read(
      answer({
        entries: [
          { ref: 'd1', no: '7', at: '2026-11-25T10:00:00+01:00', kind: 'R', result: 'r1', rev: 2 },
          { ref: 'd2', kind: 'S', receipt: 'q', rev: '3' },
          { kind: 'other' },
        ],
        next: '7',
      }),
    );
    if (!page.ok) throw new Error(page.detail);
    expect(page.next).toBe('7');
    expect(page.items.map(({ tree: _tree, ...item }) => item)).toEqual([
      {
        identity: '7',
        reference: 'd1',
        number: '7',
        at: Date.UTC(2026, 10, 25, 9) * 1000,
        message: 'result',
        receiptId: null,
        subject: 'r1',
        revision: 2,
      },
      {
        identity: 'd2',
        reference: 'd2',
        number: null,
        at: null,
        message: 'stop',
        receiptId: 'q',
        subject: 'q',
        revision: 3,
      },
      expect.objectContaining({ reference: null, message: null, identity: expect.any(String) }),
    ]);
  });

  it.each([
    ['longer than any of ours', 'x'.repeat(501)],
    ['no single text', { id: 'R-1' }],
    ['several', ['R-1', 'R-2']],
  ])('shows a message whose names are %s: as one of no receipt, never as none', (_what, said) => {
    const entry = { ref: said, no: said, kind: 'S', receipt: said, rev: said, at: said };
    const page = read(answer({ entries: [entry, { ...entry, kind: said, result: said }] }));
    if (!page.ok) throw new Error(page.detail);
    const unnamed = { reference: null, number: null, receiptId: null, subject: null };
    expect(page.items).toMatchObject([
      { ...unnamed, message: 'stop', revision: null, at: null },
      { ...unnamed, message: null, revision: null, at: null },
    ]);
    expect(new Set(page.items.map(({ identity }) => identity)).size).toBe(2);
  });

  it('is not taken for the whole where it is full and nothing leads beyond it', () => {
    const full = answer({ entries: [{ ref: 'd1' }, { ref: 'd2' }] });
    const path = 'held?from={from}&to={to}&most={limit}';
    const cut: HeldList = { ...LIST, request: { method: 'GET', path }, next: null };
    expect(readHeldPage(full, cut, 'json', '')).toMatchObject({ ok: false });
    expect(readHeldPage(answer({ entries: [{ ref: 'd1' }] }), cut, 'json', '').ok).toBe(true);
    // A list that is asked for no number of items is whole, and so is a last page.
    const whole = { ...cut, request: { ...cut.request, path: 'held?from={from}&to={to}' } };
    expect(readHeldPage(full, whole, 'json', '').ok).toBe(true);
    expect(read(full).ok).toBe(true);
  });

  it('is the last one when no cursor follows', () => {
    expect(read(answer({ entries: [] }))).toEqual({ ok: true, items: [], next: '' });
    expect(read(answer({ entries: [], next: null }))).toMatchObject({ next: '' });
    expect(read(answer({ entries: [], next: '' }))).toMatchObject({ next: '' });
  });

  it.each([501, 900, 1_000])('goes on behind a cursor of %i characters', (length) => {
    const next = 'x'.repeat(length);
    expect(read(answer({ entries: [{}], next }))).toMatchObject({ ok: true, next });
  });

  it.each<[string, AskResult, string]>([
    ['an error', answer({}, { status: 500 }), 'status 500'],
    ['nothing found', answer({}, { status: 404 }), 'status 404'],
    ['half a document', answer('{"entries":['), 'cannot be read as json'],
    ['a page with two lists', answer('{"entries":[{}],"entries":[]}'), '(duplicate-key, line 1'],
    ['a page without an end', answer({}, { isCut: true }), 'too long'],
    ['an error document', answer({ error: 'later' }), 'no /entries'],
    ['no answer', { kind: 'unavailable', detail: 'no whole answer' }, 'no whole answer'],
    ['more items than any page', answer({ entries: Array(1001).fill({}) }), '1001 items'],
    ['a cursor without an end', answer({ entries: [], next: 'x'.repeat(1_001) }), 'has 1001 char'],
    ['a cursor in parts', answer({ entries: [], next: { after: '7' } }), 'no single text'],
    ['several cursors', answer({ entries: [], next: ['7'] }), 'no single text'],
  ])('says nothing when it is %s', (_what, result, words) => {
    const page = read(result);
    expect(page.ok ? page : page.detail).toContain(words);
  });

  it('is told from an error document in XML too, where an empty list has no element', () => {
    const list: HeldList = { ...LIST, items: '/held/entry' };
    const page = (text: string) => readHeldPage(answer(text), list, 'xml', '');
    expect(page('<held/>')).toEqual({ ok: true, items: [], next: '' });
    expect(page('<held><entry/></held>')).toMatchObject({ ok: true, items: [] });
    expect(page('<held><entry><ref>d1</ref></entry></held>')).toMatchObject({
      items: [{ reference: 'd1' }],
    });
    expect(page('<error>later</error>')).toMatchObject({ ok: false });
  });

  it('is no page when it names itself as the next: the sweep would never end', () => {
    expect(read(answer({ entries: [], next: '7' }), '7')).toMatchObject({ ok: false });
  });
});
