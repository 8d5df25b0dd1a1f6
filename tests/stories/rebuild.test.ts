import { copyFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, describe, expect, it, vi } from 'vitest';
import type { DeliveryPage, ShownDelivery } from '../../src/delivery/shown-delivery.js';
import { Dock, receiptOf } from '../support/dock.js';
import { GatewayWorld, type HttpAnswer } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { asks, type Browser, makePerson, sends, signIn } from '../support/signed-in.js';
import { REFUSED_BY_LIMS } from '../support/site-edits.js';
import { NORTHQUAY } from '../support/site-folder-copy.js';

/**
 * Issue 6 with the whole gateway: a mapping makes the LIMS refuse results; the mapping is corrected and activated, and
 * a reviewer has the refused messages built anew. The judge is what the stand-in's own books hold.
 */

vi.setConfig({ testTimeout: 90_000 });

const receipt = receiptOf(1);

let world: GatewayWorld;
let dock: Dock;

afterEach(async () => {
  await world.close();
});

async function open(): Promise<void> {
  world = await GatewayWorld.open({ edits: REFUSED_BY_LIMS });
  dock = new Dock(world);
  await makePerson(world, 'a.admin', ['administrator']);
  await makePerson(world, 'r.reviewer', ['reviewer']);
  await makePerson(world, 's.second', ['reviewer']);
  await makePerson(world, 'v.viewer', ['viewer']);
}

/** The corrected mapping, as a mapping editor writes it and the start activates it. */
async function correctTheMapping(): Promise<void> {
  for (const name of Object.keys(REFUSED_BY_LIMS)) {
    copyFileSync(join(NORTHQUAY, name), join(world.siteFolder, name));
  }
  await world.restart();
}

function act(
  id: string,
  what: string,
  version: string,
  userName = 'r.reviewer',
  password = PASSWORD,
): Promise<HttpAnswer> {
  return world.http({
    path: `/api/v1/deliveries/${id}/${what}`,
    key: world.controlToken,
    headers: { 'content-type': 'application/json' },
    body: JSON.stringify({ version, reason: 'mapping corrected, CR-12', userName, password }),
  });
}

async function stopped(): Promise<ShownDelivery[]> {
  const { json } = await world.http({ path: '/api/v1/deliveries?destination=lims&fault=rejected' });
  return json['deliveries'] as ShownDelivery[];
}

async function page(id: string): Promise<DeliveryPage> {
  const { json } = await world.http({ path: `/api/v1/deliveries/${id}` });
  return json as unknown as DeliveryPage;
}

async function refuseBoth(): Promise<ShownDelivery[]> {
  await dock.announce(receipt);
  await dock.measureAll(receipt);
  await world.until('both results are refused', async () => (await stopped()).length === 2);
  return stopped();
}

function heldByLims(): string[] {
  return world.lims.ledger.books.messages.map((m) => JSON.parse(m.content).resultId as string);
}

describe('results that a mapping fault made the LIMS refuse', () => {
  it('are rebuilt with the corrected mapping and stand in the books of the LIMS once', async () => {
    await open();
    const [first] = await refuseBoth();
    if (!first) throw new Error('nothing was refused');
    expect(first).toMatchObject({ state: 'rejected', standing: 'refused', build: 1 });
    expect(heldByLims()).toEqual([]);
    expect((await world.statement(receipt.id)).outcome).toBe('incomplete');

    // The same message again brings the same refusal.
    expect((await act(first.id, 'resend', first.version)).json).toMatchObject({
      done: 'sent-again',
    });
    await world.until('it is refused again', async () => {
      const { delivery } = await page(first.id);
      return delivery.state === 'rejected' && delivery.attempts === 2;
    });
    await correctTheMapping();
    for (const { id, version, rebuild, mapping, mappingInForce } of await stopped()) {
      expect(rebuild).toEqual({ can: true, does: 'rebuild' });
      expect(mappingInForce).not.toBe(mapping);
      expect((await act(id, 'rebuild', version)).json).toMatchObject({ done: 'rebuilt' });
    }
    await world.says(receipt.id, 'conforms');
    const held = heldByLims();
    expect(held).toHaveLength(2);
    expect(new Set(held).size).toBe(2);
    const { delivery, builds, acts } = await page(first.id);
    expect(delivery.state).toBe('superseded');
    expect(builds.map(({ build, state }) => [build, state])).toEqual([
      [1, 'superseded'],
      [2, 'confirmed'],
    ]);
    expect(acts.map(({ act: what, actor }) => [what, actor])).toEqual([
      ['resend', 'Person r.reviewer (simulated)'],
      ['rebuild', 'Person r.reviewer (simulated)'],
    ]);
    await world.until('no discrepancy of it is open', async () => {
      const open = await world.db
        .selectFrom('discrepancy')
        .select('id')
        .where('destination', '=', 'lims')
        .where('closed_at', 'is', null)
        .execute();
      return open.length === 0;
    });
  });

  it('are rebuilt once when two persons do it at the same moment', async () => {
    await open();
    const [first] = await refuseBoth();
    if (!first) throw new Error('nothing was refused');
    await correctTheMapping();
    const { version } = (await page(first.id)).delivery;
    const answers = await Promise.all([
      act(first.id, 'rebuild', version, 'r.reviewer'),
      act(first.id, 'rebuild', version, 's.second'),
    ]);
    expect(answers.map((a) => a.status).sort()).toEqual([200, 409]);
    expect(answers.find((a) => a.status === 409)?.json['code']).toBe('delivery-changed');
    await world.until('the new build is confirmed', async () =>
      (await page(first.id)).builds.some((b) => b.build === 2 && b.state === 'confirmed'),
    );
    expect(heldByLims()).toHaveLength(1);
    expect((await page(first.id)).builds).toHaveLength(2);
  });

  it('are taken up by nobody without the right, the password or a reason', async () => {
    await open();
    const [first] = await refuseBoth();
    if (!first) throw new Error('nothing was refused');
    const { id, version } = first;
    expect((await act(id, 'resend', version, 'v.viewer')).status).toBe(403);
    expect((await act(id, 'resend', version, 'r.reviewer', 'something else')).status).toBe(403);
    const path = `/api/v1/deliveries/${id}/resend`;
    const headers = { 'content-type': 'application/json' };
    const body = JSON.stringify({ version, userName: 'r.reviewer', password: PASSWORD });
    expect((await world.http({ path, key: world.controlToken, headers, body })).status).toBe(400);
    expect((await world.http({ path, headers, body })).status).toBe(403);
    expect((await act(id, 'resend', '0'.repeat(64))).status).toBe(409);
    expect((await act('nothing', 'resend', version)).status).toBe(404);
    expect((await page(id)).acts).toEqual([]);
  });
});

describe('the page of stopped deliveries', () => {
  it('lets a reviewer act on one or on all of a cause, and shows a reader only what is open', async () => {
    await open();
    const [first] = await refuseBoth();
    if (!first) throw new Error('nothing was refused');
    await correctTheMapping();
    const reader = await signIn(world, 'v.viewer');
    const shown = await asks(world, `/deliveries/${first.id}`, reader);
    expect(shown.text).toContain('Rebuild</strong> is open to a reviewer');
    expect(shown.text).not.toContain('<form');

    const reviewer = await signIn(world, 'r.reviewer');
    const list = await asks(world, '/deliveries?destination=lims&fault=rejected', reviewer);
    const named = [...list.text.matchAll(/name="delivery" value="([^"]+)"/g)].map(
      (m) => m[1] ?? '',
    );
    expect(named).toHaveLength(2);
    const done = await rebuildAll(reviewer, named, '');
    expect(done.status).toBe(422);
    expect((await page(first.id)).acts).toEqual([]);
    const written = 'mapping corrected, CR-12; '.repeat(100);
    const long = await rebuildAll(reviewer, named, written);
    expect([long.status, input(long.text, 'bulk-reason')]).toEqual([
      422,
      expect.stringContaining(` value="${written}"`),
    ]);
    const answered = await rebuildAll(reviewer, named, 'mapping corrected, CR-12');
    expect(answered.text).toContain('rebuild: done with 2 of 2');
    await world.says(receipt.id, 'conforms');
    expect(heldByLims()).toHaveLength(2);
    const after = await asks(world, `/deliveries/${first.id}`, reviewer);
    expect(after.text).toContain('Act on the latest build');
  });

  it('keeps the reason of an act that was refused, in the form of that act and in no other', async () => {
    await open();
    const [first, second] = await refuseBoth();
    if (!first || !second) throw new Error('nothing was refused');
    await correctTheMapping();
    const reviewer = await signIn(world, 'r.reviewer');
    const path = `/deliveries/${first.id}`;
    const written = 'read off "dock 3", CR-12';
    const send = (fields: Record<string, string>) =>
      sends(world, path, reviewer, { reason: written, ...fields });
    const changed = await send({ act: 'rebuild', version: '0'.repeat(64) });
    expect(changed.status).toBe(409);
    expect(input(changed.text, 'reason-rebuild')).toContain(
      'value="read off &quot;dock 3&quot;, CR-12"',
    );
    expect(changed.text).toContain(`value="${(await page(first.id)).delivery.version}"`);
    expect(input(changed.text, 'reason-resend')).not.toContain('dock 3');
    const unread = await send({ act: 'rebuild', version: 'none' });
    expect([unread.status, input(unread.text, 'reason-rebuild')]).toEqual([
      422,
      expect.stringContaining('CR-12'),
    ]);
    // An act that is not open has no form that could keep it.
    const closed = await send({ act: 'retire', version: (await page(first.id)).delivery.version });
    expect(closed.status).toBe(409);
    expect(closed.text).toMatch(/What you wrote was not taken, and is in no trail:.*CR-12/);
    expect(input(closed.text, 'reason-rebuild')).not.toContain('CR-12');
    expect((await page(first.id)).acts).toEqual([]);
    expect((await asks(world, path, reviewer)).text).not.toContain('CR-12');
  });
});

const input = (html: string, id: string) =>
  html.match(/<input [^>]*>/g)?.find((tag) => tag.includes(` id="${id}"`)) ?? '';

async function rebuildAll(
  browser: Browser,
  named: readonly string[],
  reason: string,
): Promise<HttpAnswer> {
  const fields = new URLSearchParams({
    'form-token': browser.token,
    act: 'rebuild',
    reason,
    destination: 'lims',
    fault: 'rejected',
  });
  for (const one of named) fields.append('delivery', one);
  // Several fields of one name, which a record cannot carry.
  return world.http({
    path: '/deliveries',
    key: null,
    method: 'POST',
    headers: {
      'content-type': 'application/x-www-form-urlencoded',
      origin: new URL(world.url).origin,
      'sec-fetch-site': 'same-origin',
      cookie: browser.cookie,
    },
    body: fields.toString(),
  });
}
