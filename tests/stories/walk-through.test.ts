import { readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { Command } from 'commander';
import { afterAll, beforeAll, expect, it, vi } from 'vitest';
import { registerPack } from '../../src/cli/pack.command.js';
import { sha256 } from '../../src/formats/canonical-json.js';
import { GatewayWorld, type HttpAnswer } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { describeWithSpectra, repositoryRoot } from '../support/shared.js';
import { makePerson } from '../support/signed-in.js';
import { erpUsage, found } from './observe.js';

/**
 * The walk-through of the README with the files it shows, as they stand there, a year earlier so that none of it is
 * to come. What the README says of each step is what is expected here.
 */

const README = readFileSync(join(repositoryRoot(), 'README.md'), 'utf8').replaceAll(
  '2026-06-0',
  '2025-06-0',
);

/** The code block of this kind that begins with the text. */
function block(kind: string, begin: string): string {
  const [, ...blocks] = README.split(`\`\`\`${kind}\n`);
  const text = blocks.map((b) => b.slice(0, b.indexOf('```'))).find((b) => b.startsWith(begin));
  if (text === undefined) throw new Error(`the README has no ${kind} that begins with ${begin}`);
  return text;
}

const FILES = {
  'runs.csv': block(
    'csv',
    'run,file,receipt,material,lot,container,method,operator,measured_at,decision,score\n2,',
  ),
  'checks.csv': block('csv', 'run,checked_at,standard,outcome,file,'),
  'checks-2.csv': block('csv', 'run,checked_at,standard,outcome,620.9'),
  'runs-2.csv': block(
    'csv',
    'run,file,receipt,material,lot,container,method,operator,measured_at,decision,score\n6,',
  ),
  'receipts.csv': block('csv', 'receipt_id,'),
} as const;

/** Material and method of the README in front of the example's own. */
function siteYaml(text: string): string {
  const [, materials = '', methods = ''] =
    /^materials:\n([\s\S]*)methods:\n([\s\S]*)$/.exec(block('yaml', 'materials:')) ?? [];
  return text
    .replace(/^materials:\n/m, () => `materials:\n${materials}`)
    .replace(/^methods:\n/m, () => `methods:\n${methods}`);
}

describeWithSpectra('the walk-through of the README', (spectra) => {
  let world: GatewayWorld;
  const file = (name: string) => join(world.directory, name);

  beforeAll(async () => {
    const reference = /cp "\$SPECTRA\/([^"]+)" my-site\/(\S+)/.exec(README);
    const [, published = '', target = ''] = reference ?? [];
    world = await GatewayWorld.open({
      secondPerson: true,
      performanceChecks: true,
      edits: {
        'site.yaml': siteYaml,
        [target]: () => readFileSync(join(spectra, published), 'utf8'),
      },
    });
    for (const [name, text] of Object.entries(FILES)) writeFileSync(file(name), text);
    expect((await world.announce(FILES['receipts.csv'])).status).toBe(200);
  }, 60_000);

  afterAll(async () => {
    await world.close();
  });

  async function pack(...args: string[]): Promise<{ bytes: Buffer; sha256: string }> {
    const out = file('packed.json');
    const program = new Command('drumline').exitOverride();
    registerPack(program);
    const quiet = vi.spyOn(process.stdout, 'write').mockReturnValue(true);
    const common = ['--spectra', spectra, '--site-folder', world.siteFolder, '--out', out];
    await program.parseAsync(['pack', ...args, ...common], { from: 'user' });
    quiet.mockRestore();
    expect(process.exitCode ?? 0).toBe(0);
    const bytes = readFileSync(out);
    return { bytes, sha256: sha256(bytes) };
  }

  function signed(path: string, fields: Record<string, unknown>): Promise<HttpAnswer> {
    return world.http({
      path,
      method: 'POST',
      key: world.controlToken,
      headers: { 'content-type': 'application/json' },
      body: JSON.stringify({ userName: 'rowan', password: PASSWORD, ...fields }),
    });
  }

  const read = (path: string) => world.http({ path, key: world.controlToken });

  async function unmet(receiptId: string): Promise<string[]> {
    const { conditions } = await world.statement(receiptId);
    return conditions.filter(({ state }) => state !== 'met').map(({ code }) => code);
  }

  it('comes out as it is told', async () => {
    const sheet = ['--sheet', file('runs.csv'), '--checks', file('checks.csv')];
    const first = await pack(...sheet, '--instrument', 'NQ-R-0001');
    expect((await world.take(first)).state).toBe('accepted');
    await world.quiet();
    expect(await unmet('R-5001')).toEqual([
      'heard-from-every-instrument',
      'second-person',
      'labels-verified',
    ]);
    expect((await world.statement('R-5002')).outcome).toBe('does-not-conform');
    await world.until('the container that nobody measured is all that is open', async () => {
      const open = await world.db
        .selectFrom('discrepancy')
        .select(['class', 'receipt_id'])
        .where('closed_at', 'is', null)
        .execute();
      const lines = open.map((one) => `${one.class} ${one.receipt_id}`);
      return lines.join() === 'not-measured R-5003';
    });

    await makePerson(world, 'ada', ['administrator']);
    await makePerson(world, 'rowan', ['reviewer']);
    const other = await pack('--checks', file('checks-2.csv'), '--instrument', 'NQ-R-0002');
    expect((await world.take(other)).state).toBe('accepted');
    const statement = await world.statement('R-5001');
    for (const { label, resultIds } of statement.containers) {
      const path = `/api/v1/results/${resultIds[0]}/labels`;
      const seen = { seenReceipt: 'GR-5001-10', seenContainer: label };
      const { json } = await read(path);
      const answer = await signed(path, { shown: json['sha256'], reason: 'read off', ...seen });
      expect(answer.status).toBe(200);
    }
    await world.until('only the second person is missing', async () =>
      (await unmet('R-5001')).every((code) => code === 'second-person'),
    );
    const review = '/api/v1/receipts/R-5001/review';
    const { json } = await read(review);
    const fields = { act: 'sign', shown: json['sha256'], reason: 'looked at' };
    expect((await signed(review, fields)).json).toMatchObject({ outcome: 'conforms' });
    await world.until('ERP released it', () => erpUsage(world, 'R-5001') === 'released');

    const late = ['--sheet', file('runs-2.csv'), '--instrument', 'NQ-R-0001'];
    const third = await pack(...late, '--previous-bundle', first.sha256);
    const taken = await world.take(third);
    expect(taken.findings.map(({ code }) => code)).toContain('time-offset');
    const { waiting } = (await read('/api/v1/reviews')).json as { waiting: { rowId: string }[] };
    expect(waiting).toHaveLength(1);
    const contrary = await world.says('R-5003', 'does-not-conform');
    expect(found(contrary, 'no-contrary-result').found).toContain('(held)');
    const path = `/api/v1/results/${waiting[0]?.rowId}/review`;
    const shown = (await read(path)).json['sha256'];
    const clear = { act: 'clear', shown, reason: 'sync log 12 shows the zone' };
    expect((await signed(path, clear)).status).toBe(200);
    await world.quiet();
    expect((await world.statement('R-5003')).outcome).toBe('does-not-conform');
    expect((await world.statement('R-5001')).outcome).toBe('conforms');
  }, 60_000);
});
