import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { GatewayWorld, type HttpAnswer } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { asks, type Browser, makePerson, sends, signIn } from '../support/signed-in.js';

/** Receipt lines that a person announces on the pages, against the whole wired gateway. */

let world: GatewayWorld;
let receiver: Browser;
let viewer: Browser;

beforeAll(async () => {
  world = await GatewayWorld.open({});
  await makePerson(world, 'admin', ['administrator']);
  await makePerson(world, 'r.dock', ['receiver']);
  await makePerson(world, 'v.looks', ['viewer']);
  receiver = await signIn(world, 'r.dock');
  viewer = await signIn(world, 'v.looks');
});

afterAll(async () => {
  await world.close();
});

const fields = (id: string, changes: Readonly<Record<string, string>> = {}) => ({
  receiptId: id,
  material: 'NQ-1001',
  receivedAt: '2026-03-04 09:15',
  dockCount: '3',
  countedBy: 'T. Ashby (simulated)',
  containers: 'C-001..C-003',
  reason: 'ERP is away (simulated)',
  ...changes,
});

/** Hidden fields of the second look, as a browser sends them back. */
function hidden(page: HttpAnswer): Record<string, string> {
  const decode = (text: string) =>
    text
      .replace(/&quot;/g, '"')
      .replace(/&lt;/g, '<')
      .replace(/&gt;/g, '>')
      .replace(/&amp;/g, '&');
  const inputs = [...page.text.matchAll(/<input type="hidden" name="([^"]+)" value="([^"]*)"/g)];
  const area = /<textarea name="containers" hidden[^>]*>([^<]*)<\/textarea>/.exec(page.text);
  return {
    ...Object.fromEntries(inputs.map(([, name = '', value = '']) => [name, decode(value)])),
    containers: decode(area?.[1] ?? ''),
  };
}

const look = (path: string, of: Record<string, string>) =>
  sends(world, path, receiver, { ...of, step: 'look' });

async function announced(id: string, who = receiver): Promise<HttpAnswer> {
  const looked = await sends(world, '/announce', who, { ...fields(id), step: 'look' });
  return sends(world, '/announce', who, { ...hidden(looked), step: 'save' });
}

const tagOf = async (id: string) =>
  /name="tag" value="([0-9a-f]{64})"/.exec(
    (await asks(world, `/announce/${id}`, receiver)).text,
  )?.[1] ?? '';

describe('a receipt line announced by hand', () => {
  it('is shown before it is saved, with its plan, and nothing is stored by looking', async () => {
    const looked = await look('/announce', fields('H-1', { containers: 'C-001..C-003\nC-OO1' }));
    expect(looked.status).toBe(200);
    expect(looked.text).toContain('4 containers');
    expect(looked.text).toContain('every');
    expect(looked.text).toContain('4 of 4 have to be identified');
    expect(looked.text).toContain('Labels that look alike');
    expect(looked.text).toContain('3 were counted and 4 are listed');
    const rows = await world.db
      .selectFrom('receipt')
      .select('id')
      .where('id', '=', 'H-1')
      .execute();
    expect(rows).toEqual([]);
    const trail = await world.db
      .selectFrom('audit_entry')
      .select('id')
      .where('subject_id', '=', 'H-1')
      .execute();
    expect(trail).toEqual([]);
  });

  it('is saved in the name of who announced it, with the reason, and marked so everywhere', async () => {
    const saved = await announced('H-2');
    expect(saved.status, saved.text).toBe(303);
    expect(saved.headers['location']).toBe('/receipts/H-2#history');
    const page = await asks(world, '/receipts/H-2', viewer);
    expect(page.text).toContain('by hand by Person r.dock (simulated): ERP is away (simulated)');
    expect(page.text).not.toContain('Change or cancel it by hand');
    const entry = await world.db
      .selectFrom('audit_entry')
      .selectAll()
      .where('subject_id', '=', 'H-2')
      .where('action', '=', 'receipt.announced')
      .executeTakeFirstOrThrow();
    expect(entry.reason).toContain('by hand by Person r.dock (simulated)');
    const statement = await world.statement('H-2');
    const known = statement.conditions.find((c) => c.code === 'receipt-known');
    expect(known?.found).toContain('announced by hand by Person r.dock (simulated)');
    expect(known?.evidence).toContainEqual({
      kind: 'announced-by-hand',
      id: 'Person r.dock (simulated)',
    });
  });

  it('is not saved if it is not what was shown, nor over a receipt that is there', async () => {
    const looked = await look('/announce', fields('H-3'));
    const altered = { ...hidden(looked), containers: 'C-001..C-002', step: 'save' };
    const other = await sends(world, '/announce', receiver, altered);
    expect(other.status).toBe(422);
    expect(other.text).toContain('What would be saved is not what was shown');
    await announced('H-4');
    const again = await look('/announce', fields('H-4', { quantity: '1 kg' }));
    expect(again.status).toBe(422);
    expect(again.text).toContain('is announced already');
    const wordless = await look('/announce', fields('H-3', { reason: ' ' }));
    expect(wordless.text).toContain('Say why');
    const rows = await world.db
      .selectFrom('receipt')
      .select('id')
      .where('id', '=', 'H-3')
      .execute();
    expect(rows).toEqual([]);
  });

  it('names what is wrong and keeps what was written', async () => {
    const wrong = await look(
      '/announce',
      fields('H-5', { containers: 'C-001\nC-001', material: '' }),
    );
    expect(wrong.status).toBe(422);
    expect(wrong.text).toContain('Nothing was saved');
    expect(wrong.text).toContain('stands 2 times');
    expect(wrong.text).toContain('ERP is away (simulated)');
  });

  it('is changed with what changes shown, and only over what was seen', async () => {
    await announced('H-6');
    const tag = await tagOf('H-6');
    const change = fields('H-6', { containers: 'C-001..C-002\nC-004', tag, reason: 'relisted' });
    const looked = await look('/announce/H-6', change);
    expect(looked.text).toContain('Containers added');
    expect(looked.text).toContain('C-004');
    const save = { ...hidden(looked), step: 'save' };
    expect((await sends(world, '/announce/H-6', receiver, save)).status).toBe(303);
    const late = await look('/announce/H-6', { ...change, quantity: '2 kg' });
    const stale = await sends(world, '/announce/H-6', receiver, { ...hidden(late), step: 'save' });
    expect(stale.status).toBe(422);
    expect(stale.text).toContain('Nothing was saved');
    expect((await asks(world, '/receipts/H-6', receiver)).text).toContain('relisted');
  });

  it('names the receipt that its containers come from, which is checked as for any other way', async () => {
    await announced('H-90');
    const from = { comesFrom: 'H-90', comesAs: 'returned' };
    const unknown = await look('/announce', fields('H-91', { ...from, comesFrom: 'H-89' }));
    expect(unknown.status).toBe(422);
    expect(unknown.text).toContain(
      '<strong>Receipt the containers come from</strong>: receipt H-89, which containers are said to come from, was never announced',
    );
    const half = await look('/announce', fields('H-91', { comesFrom: 'H-90' }));
    expect(half.status).toBe(422);
    expect(half.text).toContain('<strong>How they come again</strong>: found comes_from');
    expect(half.text).toContain('name="comesFrom" value="H-90"');

    const looked = await look('/announce', fields('H-91', from));
    expect(looked.text).toContain('Receipt the containers come from');
    expect(hidden(looked)).toMatchObject(from);
    const saved = await sends(world, '/announce', receiver, { ...hidden(looked), step: 'save' });
    expect(saved.status, saved.text).toBe(303);
    const shown = await world.http({ path: '/api/v1/receipts/H-91' });
    expect(shown.json).toMatchObject({ comesFrom: [{ receiptId: 'H-90', as: 'returned' }] });
    expect(
      (await world.statement('H-90')).conditions.find((c) => c.code === 'receipt-undivided')?.found,
    ).toContain('containers went to H-91 (returned)');

    // Once named it stays: nothing takes a link back.
    const tag = await tagOf('H-91');
    const form = (await asks(world, '/announce/H-91', receiver)).text;
    expect(form).toContain('name="comesFrom" value="H-90"');
    const emptied = await look('/announce/H-91', fields('H-91', { tag, quantity: '4 kg' }));
    expect(hidden(emptied)['comesFrom'] ?? '').toBe('');
    expect(emptied.text).not.toContain('Receipt the containers come from: ');
    const kept = await sends(world, '/announce/H-91', receiver, {
      ...hidden(emptied),
      step: 'save',
    });
    expect(kept.status, kept.text).toBe(303);
    expect((await asks(world, '/announce/H-91', receiver)).text).toContain(
      'name="comesFrom" value="H-90"',
    );
  });

  it('loses its mark once a system announces it, and keeps it through a cancelling', async () => {
    await announced('H-7');
    await world.http({
      method: 'PUT',
      path: '/api/v1/receipts/H-7',
      headers: { 'content-type': 'application/json', 'if-match': '*' },
      body: JSON.stringify({ material: 'NQ-1001', containers: ['C-001'] }),
    });
    const known = (await world.statement('H-7')).conditions.find((c) => c.code === 'receipt-known');
    expect(known?.found).not.toContain('by hand');
    await announced('H-8');
    const tag = await tagOf('H-8');
    const cancelling = await sends(world, '/announce/H-8/cancel', receiver, {
      reason: 'sent back',
      tag,
      step: 'look',
    });
    expect(cancelling.text).toContain('Cancel the receipt');
    const done = await sends(world, '/announce/H-8/cancel', receiver, {
      ...hidden(cancelling),
      step: 'save',
    });
    expect(done.status).toBe(303);
    const row = await world.db
      .selectFrom('receipt')
      .select(['status', 'by_hand'])
      .where('id', '=', 'H-8')
      .executeTakeFirstOrThrow();
    expect(row).toEqual({ status: 'cancelled', by_hand: 'Person r.dock (simulated)' });
  });

  describe('and its second person', () => {
    const handOf = async (id: string) =>
      (await world.statement(id)).conditions
        .find((c) => c.code === 'receipt-known')
        ?.evidence.flatMap((e) => (e.kind === 'announced-by-hand' ? [e.id] : []));

    const json = { 'content-type': 'application/json' };

    /** The code that signing as the second person is answered with. */
    async function signing(id: string, userName: string): Promise<unknown> {
      const code = await signingOnce(id, userName);
      // Evaluated between showing and signing: shown and signed anew, as a person would.
      return code === 'signature-stale' ? await signing(id, userName) : code;
    }

    async function signingOnce(id: string, userName: string): Promise<unknown> {
      const path = `/api/v1/receipts/${id}/review`;
      const { json: view } = await world.http({ path, key: world.controlToken });
      const act = { act: 'sign', shown: view['sha256'], reason: 'looked at (simulated)' };
      const answer = await world.http({
        path,
        method: 'POST',
        key: world.controlToken,
        headers: json,
        body: JSON.stringify({ ...act, userName, password: PASSWORD }),
      });
      return answer.json['code'];
    }

    const change = async (id: string, kind: string, body: Record<string, unknown>) => {
      const answer = await world.http({
        path: `/api/v1/receipts/${id}/${kind}`,
        headers: { ...json, 'idempotency-key': `"${id}-${kind}"` },
        body: JSON.stringify({ reason: 'two orders (simulated)', ...body }),
      });
      expect(answer.status, answer.text).toBe(200);
    };

    beforeAll(async () => {
      await makePerson(world, 'b.both', ['receiver', 'reviewer']);
      await makePerson(world, 'c.else', ['reviewer']);
      await makePerson(world, 'd.gone', ['receiver']);
    });

    it('is nobody who announced it, or changed it later, also once a system announced it', async () => {
      await announced('H-20', await signIn(world, 'b.both'));
      expect(await signing('H-20', 'b.both')).toBe('duty-own-announcement');
      // Somebody else is told what is missing.
      expect(await signing('H-20', 'c.else')).toBe('act-not-possible');
      await world.http({
        method: 'PUT',
        path: '/api/v1/receipts/H-20',
        headers: { ...json, 'if-match': '*' },
        body: JSON.stringify({ material: 'NQ-1001', containers: ['C-001', 'C-002'] }),
      });
      expect(await handOf('H-20')).toEqual([]);
      expect(await signing('H-20', 'b.both')).toBe('duty-own-announcement');
      const refusal = await world.db
        .selectFrom('audit_entry')
        .select('reason')
        .where('action', '=', 'signature.refused')
        .where('subject_id', '=', 'H-20')
        .orderBy('at')
        .execute();
      expect(refusal[0]?.reason).toContain('duty-own-announcement');
    });

    it('is nobody who answers for the key that announced it', async () => {
      const scopes = ['expectation:write'];
      const key = await world.createKey('a program of c.else', { scopes, responsible: 'c.else' });
      const answer = await world.http({
        method: 'PUT',
        path: '/api/v1/receipts/H-26',
        key,
        headers: { ...json, 'if-none-match': '*' },
        body: JSON.stringify({ material: 'NQ-1001', containers: ['C-001', 'C-002'] }),
      });
      expect(answer.status, answer.text).toBe(200);
      expect(await signing('H-26', 'c.else')).toBe('duty-own-announcement');
      expect(await signing('H-26', 'b.both')).toBe('act-not-possible');
    });

    it('is nobody who announced it under an account that ended', async () => {
      await announced('H-25', await signIn(world, 'd.gone'));
      const headers = json;
      const of = { reason: 'staff number 114', predecessor: 'd.gone' };
      await makePerson(world, 'd.again', ['reviewer']);
      for (const path of ['d.gone/deactivate', 'd.again/predecessor']) {
        const body = JSON.stringify(of);
        const answer = await world.http({
          path: `/api/v1/people/${path}`,
          method: 'POST',
          key: world.controlToken,
          headers,
          body,
        });
        expect(answer.status, answer.text).toBe(200);
      }
      expect(await signing('H-25', 'd.again')).toBe('duty-own-announcement');
    });

    it('is nobody who announced what it was split off or merged from, and the mark goes on', async () => {
      await announced('H-21', await signIn(world, 'b.both'));
      const parts = [
        { receiptId: 'H-22', scanText: 'H-22', containers: ['C-001', 'C-002'] },
        { receiptId: 'H-23', scanText: 'H-23', containers: ['C-003'] },
      ];
      await change('H-21', 'split', { parts });
      const mark = 'Person b.both (simulated)';
      expect([await handOf('H-22'), await handOf('H-23')]).toEqual([[mark], [mark]]);
      expect(await signing('H-23', 'b.both')).toBe('duty-own-announcement');
      expect(await signing('H-23', 'c.else')).toBe('act-not-possible');
      await change('H-24', 'merge', { parts: ['H-22', 'H-23'], scanText: 'H-24' });
      expect(await handOf('H-24')).toEqual([mark]);
      expect(await signing('H-24', 'b.both')).toBe('duty-own-announcement');
    });
  });

  it('is announced by nobody without the right', async () => {
    expect((await asks(world, '/announce', viewer)).status).toBe(403);
    expect((await sends(world, '/announce', viewer, fields('H-9'))).status).toBe(403);
    const page = await world.http({ path: '/announce' });
    expect(page.status).toBeGreaterThanOrEqual(400);
  });
});
