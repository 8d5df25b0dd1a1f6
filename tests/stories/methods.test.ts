import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, describe, expect, it, vi } from 'vitest';
import { addMs, formatInstant, type Instant } from '../../src/formats/instant.js';
import { anchoredClock } from '../../src/storage/clock.js';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld, type HttpAnswer } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson, signIn } from '../support/signed-in.js';
import { found, toldErp } from './observe.js';

/** Release-safety rules 5 and 20 with the whole gateway: which version of a method counts, and what ends it. */

const [FIRST] = EAST;
const METHOD = 'ID-NQ-1001';

// Several starts of a whole gateway in one story.
vi.setConfig({ testTimeout: 90_000 });

let world: GatewayWorld;
let dock: Dock;

afterEach(async () => {
  await world.close();
});

async function open(edit: (siteYaml: string) => string): Promise<void> {
  world = await GatewayWorld.open({ edits: { 'site.yaml': edit } });
  dock = new Dock(world);
  await makePerson(world, 'ada', ['administrator']);
  await makePerson(world, 'quinn', ['signer']);
  await makePerson(world, 'mel', ['mapping-editor']);
}

/** Version 1 of the paracetamol method hands over to version 2, which has the same content, at an instant. */
function handingOver(at: Instant): (siteYaml: string) => string {
  return (siteYaml) => {
    const entry = /^ {2}- id: ID-NQ-1001\n(?: {4}.*\n)+/m.exec(siteYaml)?.[0];
    if (entry === undefined) throw new Error('Northquay has the method');
    const dated = (key: string) => `${entry}    ${key}: "${formatInstant(at)}"\n`;
    const second = dated('effectiveFrom').replace('version: "1"', 'version: "2"');
    return siteYaml.replace(entry, () => `${dated('retiredAt')}${second}`);
  };
}

function ask(path: string, body?: object, method: 'PUT' | 'POST' = 'POST'): Promise<HttpAnswer> {
  return world.http({
    path: `/api/v1/methods${path}`,
    key: world.controlToken,
    ...(body === undefined
      ? {}
      : {
          method,
          headers: { 'content-type': 'application/json' },
          body: JSON.stringify(body),
        }),
  });
}

async function sign(
  version: string,
  act: 'approve' | 'retire' | 'invalidate',
  fields: Record<string, string> = {},
): Promise<HttpAnswer> {
  const at = fields['at'] === undefined ? '' : `?at=${encodeURIComponent(fields['at'])}`;
  const shown = await ask(`/${METHOD}/${version}/acts/${act}${at}`);
  return ask(`/${METHOD}/${version}/acts/${act}`, {
    shown: shown.json['sha256'],
    reason: 'decided under QA-26-031 (simulated)',
    userName: 'quinn',
    password: PASSWORD,
    ...fields,
  });
}

/** Measures both drums of a receipt by a version of the method, and syncs every handheld of the dock. */
async function measureBy(version: string, n: number, at: Instant) {
  const receipt = receiptOf(n);
  await dock.announce(receipt);
  for (const [index, { label }] of receipt.drums.entries()) {
    const says = { method: { id: METHOD, version } };
    dock.measure(FIRST, receipt, label, { says, at: addMs(at, index * 1000) });
  }
  const digest = world.site.methods.find((m) => m.id === METHOD)?.contentDigest ?? '';
  const methods = ['1', '2'].map((v) => ({ id: METHOD, version: v, digest }));
  const bundle = await dock.sync(FIRST, { methods });
  for (const serial of EAST.slice(1)) await dock.sync(serial);
  // The bundle was made anew around what it says of methods, so the next one names another digest: a remark.
  const codes = bundle.findings.map((f) => f.code).filter((code) => code !== 'chain-broken');
  return { receipt, codes };
}

describe('a method whose version 1 was superseded by version 2', () => {
  it('judges before by version 1, afterwards by version 2, and stops by version 1 found wrong', async () => {
    const now = anchoredClock().now();
    const handover = addMs(now, -20 * 60_000);
    const [before, after] = [addMs(handover, -300_000), addMs(handover, 300_000)];
    await open(handingOver(handover));

    const byFirst = await measureBy('1', 1, before);
    const early = await measureBy('2', 4, addMs(before, 60_000));
    const bySecond = await measureBy('2', 2, after);
    const late = await measureBy('1', 3, addMs(after, 60_000));
    expect([byFirst.codes, bySecond.codes]).toEqual([[], []]);
    for (const { codes } of [late, early]) {
      expect(new Set(codes)).toEqual(new Set(['method-not-in-force']));
    }
    await world.says(byFirst.receipt.id, 'conforms');
    await world.says(bySecond.receipt.id, 'conforms');
    await world.quiet();
    for (const { receipt } of [late, early]) {
      const statement = await world.statement(receipt.id);
      expect(statement.outcome).toBe('incomplete');
      expect(found(statement, 'coverage').state).toBe('unmet');
    }

    // Retired is not found wrong: nothing happened to what version 1 said before.
    const view = await ask(`/${METHOD}/1/acts/invalidate`);
    expect(view.json).toMatchObject({ resting: [byFirst.receipt.id] });
    const signed = await sign('1', 'invalidate');
    expect(signed.json).toMatchObject({
      method: { state: 'invalidated' },
      stopped: [byFirst.receipt.id],
      signature: { meaning: 'invalidated', userName: 'quinn' },
    });
    const stopped = await world.statement(byFirst.receipt.id);
    expect(stopped.outcome).toBe('incomplete');
    expect(found(stopped, 'methods-by-content').state).toBe('unmet');
    expect((await world.statement(bySecond.receipt.id)).outcome).toBe('conforms');
    await world.quiet();
    const stops = await world.db.selectFrom('stop').select(['receipt_id', 'kind']).execute();
    expect(stops).toEqual([{ receipt_id: byFirst.receipt.id, kind: 'suspend' }]);
    const [stop, permitting] = [byFirst, bySecond].map((by) =>
      toldErp(world, by.receipt.id).at(-1),
    );
    expect(stop).not.toBe(permitting);

    // What it was judged by stays to be read, and the act to be verified.
    const shown = (await ask(`/${METHOD}/1`)).json;
    expect(shown).toMatchObject({ content: { threshold: '0.90' }, state: 'invalidated' });
    expect((await sign('1', 'invalidate')).json).toMatchObject({ code: 'act-not-possible' });
  });
});

describe('a version proposed over the API', () => {
  const reference = readFileSync(
    join(import.meta.dirname, '../../mappings/northquay/references/NQ-1001.csv'),
    'utf8',
  );
  const proposal = {
    id: METHOD,
    version: '2',
    title: 'Identity of paracetamol by Raman, revised (simulated)',
    material: 'NQ-1001',
    mode: 'verification',
    algorithm: 'squared-correlation',
    threshold: '0.90',
    scoreTolerance: '0.02',
    range: { from: '250', to: '1800' },
    gridStep: '1',
    derivative: { points: 15, polynomialOrder: 2, order: 1 },
    reference: { csv: reference },
    supersedes: ['1'],
  };
  const propose = (over: object = {}) => {
    const body = { ...proposal, ...over };
    const by = { userName: 'mel', password: PASSWORD };
    return ask(`/${METHOD}/${body.version}`, { ...by, ...body }, 'PUT');
  };

  it('is proposed by a person, on the command line and with a key too, and approved by another', async () => {
    await open((siteYaml) => siteYaml);
    await makePerson(world, 'both', ['mapping-editor', 'signer']);
    const put = (version: string, key: string, by: object = {}) =>
      world.http({
        path: `/api/v1/methods/${METHOD}/${version}`,
        method: 'PUT',
        key,
        headers: { 'content-type': 'application/json' },
        body: JSON.stringify({ ...by, ...proposal, version }),
      });
    const both = { userName: 'both', password: PASSWORD };
    for (const [by, code] of [
      [{}, 'query-invalid'],
      [{ ...both, password: 'wrong' }, 'person-not-proven'],
      [{ ...both, userName: 'quinn' }, 'right-missing'],
    ] as const) {
      expect((await put('2', world.controlToken, by)).json).toMatchObject({ code });
    }
    expect((await put('2', world.controlToken, both)).json).toMatchObject({
      state: 'proposed',
      proposedBy: expect.stringMatching(/^[0-9a-f-]{36}$/),
    });
    expect((await sign('2', 'approve', both)).json).toMatchObject({ code: 'duty-own-proposal' });
    expect((await sign('2', 'approve')).json).toMatchObject({ method: { state: 'in-force' } });

    // A program types no password: somebody answers for its key.
    const scopes = ['method:write'];
    const nobodys = await world.createKey('a program', { scopes });
    expect((await put('3', nobodys)).json).toMatchObject({
      code: 'right-missing',
      detail: expect.stringContaining('nobody answers for what is proposed with this key'),
    });
    await expect(world.createKey('x', { scopes, responsible: 'nobody' })).rejects.toThrow(
      'responsible: expected the user name of somebody in force',
    );
    const key = await world.createKey('another program', { scopes, responsible: 'both' });
    const listed = await world.http({ path: '/api/v1/keys', key: world.controlToken });
    expect(listed.json['keys']).toContainEqual(
      expect.objectContaining({ name: 'another program', responsible: 'both' }),
    );
    expect((await put('3', key)).status).toBe(201);
    expect((await sign('3', 'approve', both)).json).toMatchObject({ code: 'duty-own-proposal' });
    // Nor once they came back under another account.
    for (const [path, body] of [
      ['both/deactivate', { reason: 'left' }],
      ['again/predecessor', { predecessor: 'both', reason: 'staff number 114' }],
    ] as const) {
      if (path.startsWith('again')) await makePerson(world, 'again', ['signer']);
      const answer = await world.http({
        path: `/api/v1/people/${path}`,
        method: 'POST',
        key: world.controlToken,
        headers: { 'content-type': 'application/json' },
        body: JSON.stringify(body),
      });
      expect(answer.status, answer.text).toBe(200);
    }
    expect((await sign('3', 'approve', { userName: 'again' })).json).toMatchObject({
      code: 'duty-own-proposal',
    });
  });

  it('is judged by from its approval on, by every process, and ends the one it supersedes', async () => {
    await open((siteYaml) => siteYaml);
    const proposed = await propose();
    expect([proposed.status, proposed.json['state']]).toEqual([201, 'proposed']);
    expect((await propose()).status).toBe(200);
    expect((await propose({ threshold: '0.91' })).json).toMatchObject({
      code: 'method-version-exists',
    });
    const unapproved = await measureBy('2', 1, addMs(world.clock.now(), -60_000));
    expect(new Set(unapproved.codes)).toEqual(new Set(['method-unknown']));

    const first = receiptOf(2);
    await dock.conform(first);
    const approved = await sign('2', 'approve');
    expect(approved.json).toMatchObject({ method: { state: 'in-force' }, stopped: [] });
    const list = (await ask('')).json['methods'] as {
      id: string;
      version: string;
      state: string;
    }[];
    const states = list.filter((m) => m.id === METHOD).map((m) => `${m.version} ${m.state}`);
    expect(states).toEqual(['1 retired', '2 in-force']);
    // What version 1 said before the approval goes on to count.
    expect((await world.statement(first.id)).outcome).toBe('conforms');

    const at = addMs(world.clock.now(), 5);
    const margin = world.site.limits.syncMarginMs + 1_500;
    await world.until('the sync margin is over', () => world.clock.now() > addMs(at, margin));
    const bySecond = await measureBy('2', 3, at);
    expect(bySecond.codes).toEqual([]);
    await world.says(bySecond.receipt.id, 'conforms');
    const byFirst = await measureBy('1', 4, at);
    expect(new Set(byFirst.codes)).toEqual(new Set(['method-not-in-force']));
  });

  it('is refused at the place of each fault, by rule and with a remedy', async () => {
    await open((siteYaml) => siteYaml);
    const later = '2026-03-04T12:00:00Z';
    const baseline = {
      kind: 'asymmetric-least-squares',
      smoothness: '100000',
      asymmetry: '0.01',
      iterations: 50,
    };
    const plain = { interpolation: 'linear', baseline: null, normalisation: 'none' };
    const costly = { ...plain, baseline, shiftAllowance: '3' };
    const margin = (least: string) => ({ peaks: null, residual: null, margin: least });
    const wide = `${reference.trimEnd()}\n2500,0\n`;
    const rows: readonly [object, string, string][] = [
      [{ threshold: '1.2' }, '/threshold', 'method-numbers'],
      [{ material: 'NQ-9' }, '/material', 'unknown-material'],
      [{ reference: null }, '/reference', 'method-without-reference'],
      [{ reference: {} }, '/reference', 'reference-form'],
      [{ reference: { csv: '200,1\n100,2\n' } }, '/reference/csv', 'reference-spectrum'],
      [
        {
          reference: {
            points: [
              [200, 1],
              [100, 2],
            ],
          },
        },
        '/reference/points/1',
        'reference-spectrum',
      ],
      [{ range: { from: '250', to: '9000' } }, '/reference', 'reference-too-short'],
      [
        { range: { from: '250', to: '2400' }, reference: { csv: wide } },
        '/reference',
        'reference-hole',
      ],
      [{ treatment: costly }, '/treatment', 'method-numbers'],
      [
        { treatment: { ...plain, shiftAllowance: '4' } },
        '/treatment/shiftAllowance',
        'method-numbers',
      ],
      [{ asks: margin('1.5') }, '/asks/margin', 'method-numbers'],
      // Wider than the references of the materials it could be mistaken for.
      [
        { asks: margin('0.05'), range: { from: '250', to: '2400' }, reference: { csv: wide } },
        '/asks/margin',
        'margin-reference-too-short',
      ],
      [{ effectiveFrom: '2026-03-04' }, '/effectiveFrom', 'instant-unreadable'],
      [{ supersedes: ['7'] }, '/supersedes/0', 'unknown-version'],
      [{ notRecomputable: 'D-404' }, '/notRecomputable', 'unknown-decision'],
      [{ notRecomputable: 'D-003' }, '/notRecomputable', 'decision-of-other-rule'],
      [{ retiredAt: later }, '/retiredAt', 'schema-unknown-key'],
      [{ approvals: [] }, '/approvals', 'schema-unknown-key'],
    ];
    for (const [over, pointer, rule] of rows) {
      const answer = await propose(over);
      expect(answer.status, pointer).toBe(422);
      expect(answer.json['faults'], JSON.stringify(over)).toEqual(
        expect.arrayContaining([expect.objectContaining({ pointer, rule })]),
      );
    }
    expect((await ask(`/${METHOD}/2`)).status).toBe(404);
  });

  it('is approved by somebody who may, who saw it as it is, and only when no other is in force', async () => {
    await open((siteYaml) => siteYaml);
    await makePerson(world, 'vera', ['viewer']);
    await makePerson(world, 'mia', ['mapping-editor', 'signer']);
    await propose({ supersedes: [] });
    expect((await sign('2', 'approve')).json).toMatchObject({ code: 'act-not-possible' });
    expect((await sign('2', 'retire', { at: '2026-01-01T00:00:00Z' })).json).toMatchObject({
      code: 'act-not-possible',
    });
    await propose({ version: '3' });
    expect((await sign('3', 'approve', { userName: 'vera' })).json).toMatchObject({
      code: 'right-missing',
    });
    expect((await sign('3', 'approve', { shown: '0'.repeat(64) })).json).toMatchObject({
      code: 'signature-stale',
    });
    expect((await sign('3', 'approve', { password: 'wrong' })).json).toMatchObject({
      code: 'signature-not-proven',
    });
    expect((await ask(`/${METHOD}/9/acts/approve`)).status).toBe(404);
    const { cookie, token } = await signIn(world, 'mia');
    const own = await world.http({
      path: `/api/v1/methods/${METHOD}/4`,
      method: 'PUT',
      key: null,
      headers: {
        cookie,
        'x-form-token': token,
        'content-type': 'application/json',
        origin: new URL(world.url).origin,
        'sec-fetch-site': 'same-origin',
      },
      body: JSON.stringify({ ...proposal, version: '4' }),
    });
    expect(own.status, own.text).toBe(201);
    expect((await sign('4', 'approve', { userName: 'mia' })).json).toMatchObject({
      code: 'duty-own-proposal',
    });
    const left = await world.db.selectFrom('method_event').select('kind').execute();
    expect(new Set(left.map((e) => e.kind))).toEqual(new Set(['listed']));
  });

  it('rule 5: counts without a recheck by a decision signed with it, which a further version voids at once', async () => {
    await open((siteYaml) =>
      siteYaml.replace(
        'decisions:\n',
        `decisions:
  - id: D-010
    rule: method-not-recomputable
    decidedBy: Head of Quality, Northquay (simulated)
    date: "2026-01-12"
    reason: These handhelds hand over no trace (simulated).
    signed: false
`,
      ),
    );
    const declared = { notRecomputable: 'D-010' };
    expect((await propose(declared)).json).toMatchObject({
      notRecomputable: 'D-010',
      proposal: { notRecomputable: 'D-010' },
    });
    // The same version without it is another proposal.
    expect((await propose()).json).toMatchObject({ code: 'method-version-exists' });
    expect((await sign('2', 'approve')).status).toBe(200);

    const receipt = receiptOf(1);
    await dock.announce(receipt);
    const at = addMs(world.clock.now(), 5);
    const margin = world.site.limits.syncMarginMs + 1_500;
    await world.until('the sync margin is over', () => world.clock.now() > addMs(at, margin));
    for (const { label } of receipt.drums) {
      const says = { method: { id: METHOD, version: '2' }, spectrum: null };
      dock.measure(FIRST, receipt, label, { says, at });
    }
    const digest = world.site.methods.find((m) => m.id === METHOD)?.contentDigest ?? '';
    await dock.sync(FIRST, { methods: [{ id: METHOD, version: '2', digest }] });
    for (const serial of EAST.slice(1)) await dock.sync(serial);
    const before = await world.statement(receipt.id);
    expect(before.outcome).toBe('incomplete');
    expect(found(before, 'coverage').found).toContain(
      'rests on decision D-010, which nobody signed',
    );
    const decision = { path: '/api/v1/decisions/D-010', key: world.controlToken };
    const shown = (await world.http(decision)).json;
    expect(shown['effects']).toEqual([
      expect.objectContaining({
        what: `results of method ${METHOD} version 2 count although nobody can recompute them`,
        loosens: 'no recheck stands behind them',
      }),
    ]);
    const signed = await world.http({
      ...decision,
      method: 'POST',
      headers: { 'content-type': 'application/json' },
      body: JSON.stringify({
        shown: shown['sha256'],
        reason: 'decided under QA-26-040 (simulated)',
        userName: 'quinn',
        password: PASSWORD,
      }),
    });
    expect(signed.status, signed.text).toBe(200);
    await world.says(receipt.id, 'conforms');

    await propose({ version: '3', supersedes: [], inForceBeside: ['2'], ...declared });
    const view = (await ask(`/${METHOD}/3/acts/approve`)).json;
    expect(view).toMatchObject({ resting: [receipt.id] });
    expect(JSON.stringify(view['option'])).toContain('a signature that decision D-010 has already');
    expect((await sign('3', 'approve')).json).toMatchObject({ stopped: [receipt.id] });
    const stopped = await world.statement(receipt.id);
    expect(stopped.outcome).toBe('incomplete');
    expect(stopped.stopInForce).toMatchObject({ kind: 'suspend' });
    expect(found(stopped, 'coverage').found).toContain('reads differently than');
  });

  it('goes on to count after a restart from a folder that does not know it', async () => {
    await open((siteYaml) => siteYaml);
    await propose();
    await sign('2', 'approve');
    await world.restart();
    const shown = (await ask(`/${METHOD}/2`)).json;
    expect(shown).toMatchObject({ state: 'in-force', approvals: [{ by: 'signature' }] });
  });
});
