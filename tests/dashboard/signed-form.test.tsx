import { render } from 'preact-render-to-string';
import { describe, expect, it } from 'vitest';
import type { Caller } from '../../src/access/caller.js';
import { Field, OwnForm } from '../../src/dashboard/form-parts.js';
import { Layout } from '../../src/dashboard/layout.js';
import { SignedForm } from '../../src/dashboard/review-form.js';
import {
  answerSignedForm,
  NOTHING_SAID,
  type Said,
  signedAt,
  signedHere,
} from '../../src/dashboard/signed-form.js';
import { Problem } from '../../src/problem-details.js';

const ACTION = '/receipts/R-1/review';
const OTHER = '/receipts/R-1/stops/lift';
const PASSWORD = 'a password nobody may read';
const OPEN = { possible: true, because: [], effects: ['it changes'] };

/** How an attribute without a value is written. */
const EMPTY = / value(?: |>)/;

/** Sends a form and tells what the browser is shown of it. */
async function send(sign: () => Promise<string>) {
  const form = new URLSearchParams({
    'form-token': 'token',
    shown: 'a'.repeat(64),
    act: 'refuse',
    reason: 'seen at "dock 3"',
    userName: 'robin',
    password: PASSWORD,
  });
  const answer = { to: '', headers: {}, said: null as Said | null };
  await answerSignedForm({
    request: { form, url: ACTION },
    reply: {
      headers: (values) => Object.assign(answer.headers, values),
      redirect: (to, status) => Object.assign(answer, { to: `${status} ${to}` }),
    },
    timeZone: 'Europe/London',
    sign,
    show: (said) => {
      answer.said = said;
      return Promise.resolve();
    },
  });
  return answer;
}

/** A page with the form that was sent, and another one with the same fields. */
function page(said: Said | null): string {
  const acts = ['sign', 'refuse'].map((act) => ({ act, words: act, option: OPEN }));
  const signer = { formToken: 'fresh', components: 'user-name-and-password' } as const;
  return render(
    <Layout title="A page" site={null} asOf={null} sent={said?.typed ?? null}>
      <SignedForm
        action={ACTION}
        shown={'b'.repeat(64)}
        acts={acts}
        signer={signer}
        reasonHint=""
        meaning=""
      />
      <OwnForm action={OTHER} token="fresh">
        <Field id="other-reason" name="reason" label="Reason" />
      </OwnForm>
    </Layout>,
  );
}

const input = (html: string, id: string) =>
  html.match(/<input [^>]*>/g)?.find((tag) => tag.includes(` id="${id}"`)) ?? '';

describe('a form that signs', () => {
  it('goes on to where the signature stands', async () => {
    const answer = await send(() => Promise.resolve(signedAt('/receipts/R-1', { id: 's-1' })));
    expect(answer).toMatchObject({ to: '303 /receipts/R-1?done=s-1', said: null });
    expect(signedAt('/receipts/R-1/rejection?container=D-1', { id: 's-1' })).toBe(
      '/receipts/R-1/rejection?container=D-1&done=s-1',
    );
  });

  it('says every known problem on its page, with the instants of the site’s zone', async () => {
    const at = '2026-07-01T09:30:00.000000Z';
    const refused = await send(() =>
      Promise.reject(new Problem('act-not-possible', `received at ${at}`)),
    );
    expect(refused.said?.status).toBe(409);
    expect(refused.said?.notice).toMatchObject({ tone: 'bad' });
    expect(refused.said?.notice?.text).toMatch(/10:30/);
    expect(refused.said?.notice?.text).not.toContain(at);
    const unread = await send(() =>
      Promise.reject(new Problem('query-invalid', 'reason: expected 3 to 1000 characters')),
    );
    expect(unread.said).toMatchObject({
      status: 422,
      notice: { title: 'Nothing was signed', text: 'reason: expected 3 to 1000 characters' },
    });
    const busy = await send(() =>
      Promise.reject(new Problem('signature-not-proven', 'busy', {}, { 'retry-after': '2' })),
    );
    expect([busy.said?.status, busy.headers]).toEqual([403, { 'retry-after': '2' }]);
  });

  it('keeps what was typed, without the password, and in no other form of the page', async () => {
    const { said } = await send(() => Promise.reject(new Problem('signature-stale', 'changed')));
    const html = page(said);
    expect(input(html, 'reason')).toContain('value="seen at &quot;dock 3&quot;"');
    expect(input(html, 'user-name')).toContain('value="robin"');
    expect(input(html, 'act-refuse')).toMatch(/ checked/);
    expect(input(html, 'act-sign')).not.toMatch(/ checked/);
    expect(input(html, 'password')).toMatch(EMPTY);
    expect(input(html, 'other-reason')).toMatch(EMPTY);
    expect([html.includes(PASSWORD), JSON.stringify([...(said?.typed?.fields ?? [])])]).toEqual([
      false,
      expect.not.stringContaining(PASSWORD),
    ]);
    // What is signed is what the page shows now, not what it showed before.
    expect(html).toContain(`value="${'b'.repeat(64)}"`);
    expect(html).not.toContain('a'.repeat(64));
    expect(input(page(null), 'reason')).toMatch(EMPTY);
  });

  it('leaves what nobody foresaw to the page of errors', async () => {
    await expect(send(() => Promise.reject(new Error('the disk is full')))).rejects.toThrow(
      'the disk is full',
    );
  });
});

describe('a page that is come to behind a signature', () => {
  const robin = { kind: 'person', userName: 'robin' } as unknown as Caller;
  const signatures = [
    { signatureId: 's-1', userName: 'robin' },
    { signatureId: 's-2', userName: 'robin', validity: 'valid', broken: null },
    { signatureId: 's-3', userName: 'robin', validity: 'void', broken: null },
    { signatureId: 's-4', userName: 'robin', validity: 'valid', broken: 'not in the trail' },
    { signatureId: 's-5', userName: 'sam', validity: 'valid', broken: null },
  ] as const;
  const arrived = signedHere('The container is rejected.', () => signatures);
  const says = (done: string, caller: Caller = robin) => arrived(done, null, caller).notice;

  it.each(['s-1', 's-2'])(
    'says so of %s, which stands there, holds and is of who looks',
    (done) => {
      expect(says(done)).toEqual({
        tone: 'good',
        title: 'Signed',
        text: 'The container is rejected.',
      });
    },
  );

  it.each([
    ['the word that anybody can write', 'signed'],
    ['nothing', ''],
    ['a signature that is not of this page', 's-9'],
    ['one that is void', 's-3'],
    ['one that is not as it was made', 's-4'],
    ['one of somebody else', 's-5'],
  ])('says nothing for %s', (_what, done) => {
    expect(arrived(done, null, robin)).toBe(NOTHING_SAID);
  });

  it.each(['key', 'loopback', 'cli'])('says nothing to a %s', (kind) => {
    expect(says('s-1', { kind, userName: 'robin' } as unknown as Caller)).toBeNull();
  });
});
