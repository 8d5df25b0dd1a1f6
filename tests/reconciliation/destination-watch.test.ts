import { describe, expect, it } from 'vitest';
import { addMs, instantFromMillis } from '../../src/formats/instant.js';
import {
  approval,
  judgeLook,
  readWatched,
  seenOf,
} from '../../src/reconciliation/destination-watch.js';
import { emptyWatch } from '../../src/reconciliation/destination-watch.store.js';
import type { DestinationWatchRow } from '../../src/storage/tables.js';

const NOW = instantFromMillis(Date.UTC(2026, 10, 25, 9));
const LATER = addMs(NOW, 1000);
const BLANK = emptyWatch({ site: 's', destination: 'erp' }, 'declared', NOW);

function seen(version: string) {
  const found = seenOf({ '/version': [version] }, { '/score': ['0.98'] });
  if (!found.ok) throw new Error(found.detail);
  return found;
}

function look(row: DestinationWatchRow, version: string) {
  const step = judgeLook(row, seen(version), LATER);
  return { ...step, row: { ...row, ...step.change } };
}

describe('rule 27: what a destination says of itself', () => {
  it('holds every new conforms until it was looked at once, which is approved with its mapping', () => {
    expect(BLANK).toMatchObject({ hold: 'unread', must_look: 1 });
    const { becomes, row } = look(BLANK, '1.0');
    expect(becomes).toBe('approved');
    expect(row).toMatchObject({ hold: null, must_look: 0, approved_digest: seen('1.0').digest });
  });

  it('holds them again when it changed, until that is approved or is gone', () => {
    const first = look(BLANK, '1.0').row;
    const changed = look(first, '2.0');
    expect(changed.becomes).toBe('changed');
    expect(changed.row.hold).toBe('changed');
    expect(changed.row.approved_digest).toBe(first.approved_digest);
    expect(look(changed.row, '1.0').row.hold).toBeNull();
    const { digest, document } = seen('2.0');
    const approved = { ...changed.row, ...approval(digest, document, LATER) };
    expect(look(approved, '2.0').becomes).toBe('as-approved');
  });

  it('is looked at again soon after a change: an error page with status 200 does not hold for a day', () => {
    const first = look(BLANK, '1.0').row;
    const none = seenOf({ '/version': [] }, { '/score': [] });
    const held = judgeLook(first, none, LATER);
    expect(held).toMatchObject({ becomes: 'changed', change: { hold: 'changed' } });
    expect(held.change.look_at).toBe(addMs(LATER, 30_000));
    const back = look({ ...first, ...held.change }, '1.0');
    expect(back).toMatchObject({ becomes: 'as-approved', row: { hold: null } });
    expect(back.row.look_at).toBe(addMs(LATER, 86_400_000));
  });

  it.each([
    ['of the description', seenOf({ '/version': [] }, { '/score': ['0.98'] })],
    ['of the canary record', seenOf({ '/version': ['1.0'] }, { '/score': [] })],
    ['since it is gone', seenOf({ gone: true }, null)],
  ])('is not approved by a first look that shows nothing %s', (_, nothing) => {
    const step = judgeLook(BLANK, nothing, LATER);
    expect(step.becomes).toBe('unknown');
    expect({ ...BLANK, ...step.change }).toMatchObject({
      hold: 'unread',
      must_look: 1,
      approved_digest: null,
      look_at: addMs(LATER, 30_000),
      detail: 'the answer shows nothing that the mapping watches',
    });
    expect(judgeLook(BLANK, seenOf({ '': { v: '1' } }, null), LATER).becomes).toBe('approved');
  });

  it('is not known while it gives no answer: what was held stays held, and what must be looked at still must', () => {
    const first = { ...look(BLANK, '1.0').row, must_look: 1 as const };
    const step = judgeLook(first, { ok: false, detail: 'no answer' }, LATER);
    expect(step.becomes).toBe('unknown');
    expect({ ...first, ...step.change }).toMatchObject({ must_look: 1, hold: null });
  });

  it('is read by the declared parts alone; gone is a change, and an error says nothing', () => {
    const watched = { request: { method: 'GET', path: 'd' }, parts: ['/v'] } as const;
    const answer = (status: number, text: string) => ({
      kind: 'answered' as const,
      status,
      retryAfter: null,
      body: Buffer.from(text),
      isCut: false,
    });
    expect(readWatched(answer(200, '{"v":"1","time":"09:00"}'), watched, 'json')).toEqual({
      ok: true,
      parts: { '/v': ['1'] },
    });
    expect(readWatched(answer(404, ''), watched, 'json')).toEqual({
      ok: true,
      parts: { gone: true },
    });
    expect(readWatched(answer(503, ''), watched, 'json').ok).toBe(false);
    expect(readWatched(answer(200, '<v>'), watched, 'json').ok).toBe(false);
  });
});
