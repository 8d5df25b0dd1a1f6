import { readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, describe, expect, it, vi } from 'vitest';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld, type HttpAnswer } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { makePerson } from '../support/signed-in.js';
import { replacing } from '../support/site-edits.js';
import { found } from './observe.js';

/** Release-safety rules 4, 9 and 20 with the whole gateway: decisions of the site folder, signed and changed since. */

// Several starts of a whole gateway in one story.
vi.setConfig({ testTimeout: 90_000 });

let world: GatewayWorld;

afterEach(async () => {
  await world.close();
});

async function open(edit: (siteYaml: string) => string): Promise<void> {
  world = await GatewayWorld.open({ edits: { 'site.yaml': edit } });
  await makePerson(world, 'ada', ['administrator']);
  await makePerson(world, 'quinn', ['signer']);
}

function ask(path: string, body?: object): Promise<HttpAnswer> {
  return world.http({
    path: `/api/v1/decisions${path}`,
    key: world.controlToken,
    ...(body === undefined
      ? {}
      : {
          method: 'POST',
          headers: { 'content-type': 'application/json' },
          body: JSON.stringify(body),
        }),
  });
}

async function sign(id: string, fields: Record<string, string> = {}): Promise<HttpAnswer> {
  const shown = await ask(`/${id}`);
  expect(shown.headers['etag']).toBe(`"${String(shown.json['sha256'])}"`);
  return ask(`/${id}`, {
    shown: shown.json['sha256'],
    reason: 'procedure in force (simulated)',
    userName: 'quinn',
    password: PASSWORD,
    ...fields,
  });
}

async function states(): Promise<string[]> {
  const list = (await ask('')).json['decisions'] as { id: string; state: string }[];
  return list.map(({ id, state }) => `${id} ${state}`).sort();
}

async function editSite(edit: (siteYaml: string) => string): Promise<void> {
  const file = join(world.siteFolder, 'site.yaml');
  writeFileSync(file, edit(readFileSync(file, 'utf8')));
  await world.restart();
}

/** Northquay in production: nothing simulated, nothing over plain HTTP; nobody listens behind its destinations. */
function inProduction(siteYaml: string): string {
  return [
    replacing('environment: training', 'environment: production'),
    replacing('simulated: true', 'simulated: false'),
    (text: string) => text.replaceAll(/baseUrl: .*$/gm, 'baseUrl: https://127.0.0.1:9/'),
  ].reduce((text, edit) => edit(text), siteYaml);
}

describe('a site decision', () => {
  it('is signed as it reads, and a plan changed under its id is a stop at the next start', async () => {
    await open((siteYaml) => siteYaml);
    const dock = new Dock(world);
    const receipt = receiptOf(1);
    await dock.announce(receipt);
    await dock.conform(receipt);
    const before = await world.statement(receipt.id);
    expect(before.decisions.map((d) => d.id)).toContain('D-002');
    expect(before.decisions.every((d) => d.signature === undefined)).toBe(true);

    const signed = await sign('D-002');
    expect(signed.status, signed.text).toBe(200);
    expect(signed.json).toMatchObject({
      decision: { id: 'D-002', state: 'signed' },
      signature: { meaning: 'approved', userName: 'quinn' },
    });
    expect(await states()).toContain('D-002 signed');
    const after = await world.statement(receipt.id);
    expect(after.outcome).toBe('conforms');
    expect(after.decisions.find((d) => d.id === 'D-002')?.signature?.printedName).toBe(
      'Person quinn (simulated)',
    );
    expect((await sign('D-002')).json).toMatchObject({ code: 'act-not-possible' });

    await editSite((text) =>
      text.replace(/expires: "?2030-[^\n"}]*"?/, 'expires: "2029-06-30T23:59:59Z"'),
    );
    expect(await states()).toContain('D-002 void');
    const stopped = await world.says(receipt.id, 'incomplete');
    expect(found(stopped, 'plan-in-force').found).toContain(
      'than Person quinn (simulated) signed it',
    );
    await world.until('the stop is issued', async () => {
      const stops = await world.db.selectFrom('stop').select(['receipt_id', 'kind']).execute();
      return stops.some((s) => s.receipt_id === receipt.id && s.kind === 'suspend');
    });

    // Signed anew the condition holds again; the stop latches.
    expect((await sign('D-002')).status).toBe(200);
    const latched = await world.statement(receipt.id);
    expect(found(latched, 'plan-in-force').state).toBe('met');
    expect(latched.outcome).toBe('incomplete');
    expect(latched.stopInForce?.kind).toBe('suspend');
    const entries = await world.db
      .selectFrom('audit_entry')
      .select('action')
      .where('subject_kind', '=', 'site-decision')
      .where('action', '=', 'site-decision.approved')
      .execute();
    expect(entries).toHaveLength(2);
  });

  it('lets a plan be in force in production once it is signed, and the start does not wait for it', async () => {
    await open(inProduction);
    expect((await states()).every((state) => state.endsWith(' unsigned'))).toBe(true);
    const receipt = receiptOf(1);
    await new Dock(world).announce(receipt);
    const before = found(await world.statement(receipt.id), 'plan-in-force');
    expect([before.state, before.found]).toEqual([
      'unmet',
      'the sampling plan rests on decision D-002, which nobody signed',
    ]);
    expect((await sign('D-002')).status).toBe(200);
    expect(found(await world.statement(receipt.id), 'plan-in-force').state).toBe('met');
  });

  it('rule 5: lets results without a trace count once it is signed, and stops them once it is gone', async () => {
    const declared = replacing(
      'approvals: [{ material: NQ-1001, decision: D-003 }]',
      'approvals: [{ material: NQ-1001, decision: D-003 }]\n    notRecomputable: D-010',
    );
    await open((text) =>
      declared(
        replacing(
          'decisions:\n',
          `decisions:
  - id: D-010
    rule: method-not-recomputable
    decidedBy: Head of Quality, Northquay (simulated)
    date: "2026-01-12"
    reason: These handhelds hand over no trace (simulated).
    signed: false
`,
        )(text),
      ),
    );
    const dock = new Dock(world);
    const receipt = receiptOf(1);
    await dock.announce(receipt);
    for (const { label } of receipt.drums) {
      dock.measure('NQ-R-0001', receipt, label, { says: { spectrum: null } });
    }
    for (const serial of EAST) await dock.sync(serial);
    const before = await world.statement(receipt.id);
    expect(before.outcome).toBe('incomplete');
    expect(found(before, 'coverage').found).toContain(
      'rests on decision D-010, which nobody signed',
    );

    expect((await sign('D-010')).status).toBe(200);
    const after = await world.says(receipt.id, 'conforms');
    expect(found(after, 'recheck').found).toContain(
      'not recomputable by a signed entry of the registry: container D1-01 by result',
    );
    expect(after.decisions.find((d) => d.id === 'D-010')?.signature?.printedName).toBe(
      'Person quinn (simulated)',
    );

    await editSite((text) => text.replace('\n    notRecomputable: D-010', ''));
    const stopped = await world.says(receipt.id, 'incomplete');
    expect(found(stopped, 'recheck').state).toBe('unmet');
    await world.until('the stop is issued', async () => {
      const stops = await world.db.selectFrom('stop').select(['receipt_id', 'kind']).execute();
      return stops.some((s) => s.receipt_id === receipt.id && s.kind === 'suspend');
    });
  });

  it('is signed by a signer who saw it as it is, and by nobody else', async () => {
    await open((siteYaml) => siteYaml);
    await makePerson(world, 'mia', ['mapping-editor', 'mapping-approver']);
    const code = async (fields: Record<string, string>) =>
      (await sign('D-002', fields)).json['code'];
    expect(await code({ userName: 'mia' })).toBe('right-missing');
    expect(await code({ shown: '0'.repeat(64) })).toBe('signature-stale');
    expect(await code({ password: 'wrong' })).toBe('signature-not-proven');
    expect((await ask('/D-404')).status).toBe(404);
    expect(await states()).toContain('D-002 unsigned');
    const left = await world.db.selectFrom('signature').select('id').execute();
    expect(left).toEqual([]);
  });
});
