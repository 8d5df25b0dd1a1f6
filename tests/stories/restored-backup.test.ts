import { execFileSync } from 'node:child_process';
import {
  copyFileSync,
  cpSync,
  existsSync,
  mkdirSync,
  readdirSync,
  readFileSync,
  statSync,
  writeFileSync,
} from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { restoreBackup, writeBackup } from '../../src/cli/backup.files.js';
import { addMs, formatInstant } from '../../src/formats/instant.js';
import { judge, type WorldTruth } from '../../src/simulation/judge.js';
import { ERP_FIELDS, LIMS_FIELDS } from '../../src/simulation/northquay-fields.js';
import type { DrumPhase } from '../../src/simulation/story.js';
import { backUp, describeBackups, putBack } from '../support/backups.js';
import { Dock, EAST, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { PASSWORD } from '../support/people.js';
import { asks, makePerson, sends, signIn } from '../support/signed-in.js';
import { isPostgres, temporaryDirectory } from '../support/temp-database.js';
import { erpUsage, toldErp } from './observe.js';

/** Rule 28: a database that was put back or copied, between systems that went on without it. */

const [FIRST, SECOND] = EAST;
const STORY_MS = 60_000;
/** Some file systems do not know when a file was made. */
const KEEPS_BIRTHS = statSync(tmpdir(), { bigint: true }).birthtimeNs > 0n;

let world: GatewayWorld;
let dock: Dock;

beforeEach(async () => {
  world = await GatewayWorld.open();
  dock = new Dock(world);
});

afterEach(async () => {
  await world.close();
});

const limsCount = (receiptId: string) =>
  world.lims.ledger.books.messages.filter((m) => m.content.includes(`"receipt":"${receiptId}"`))
    .length;

async function instance(): Promise<Record<string, unknown>> {
  return (await world.http({ path: '/api/v1/instance' })).json;
}

function resume(body: Record<string, unknown>) {
  return world.http({
    path: '/api/v1/instance/resume',
    key: world.controlToken,
    headers: { 'content-type': 'application/json' },
    body: JSON.stringify(body),
  });
}

async function readBack(): Promise<void> {
  let state: Record<string, unknown> = {};
  await world.until(
    () => `the destinations are read back: ${JSON.stringify(state)}`,
    async () => {
      state = await instance();
      const open = state['notReadBack'] as readonly string[];
      return open.length === 0 && state['unanswered'] === 0;
    },
  );
}

/** Compares what ERP holds of the last two hours, and waits for the end of it. */
async function sweepErp(): Promise<void> {
  const path = '/api/v1/destinations/erp/sweeps';
  const now = world.clock.now();
  const { json, status, text } = await world.http({
    path,
    key: world.controlToken,
    headers: { 'content-type': 'application/json' },
    body: JSON.stringify({ from: formatInstant(addMs(now, -7_200_000)), to: formatInstant(now) }),
  });
  expect(status, text).toBe(202);
  await world.until('it is swept', async () => {
    const sweep = await world.http({
      path: `${path}/${String(json['id'])}`,
      key: world.controlToken,
    });
    return sweep.json['state'] === 'done';
  });
}

function pull(receiptId: string) {
  return world.http({ path: `/api/v1/receipts/${receiptId}/statement` });
}

const folder = (dataDirectory: string) => ({ dataDirectory, databaseUrl: null });

/** What lay in which drum, whatever anybody wrote down. */
function truth(
  receipts: readonly ReturnType<typeof receiptOf>[],
  swapped: { readonly label: string; readonly at: string },
): WorldTruth {
  const drums = new Map<string, DrumPhase[]>();
  for (const { drums: all } of receipts) {
    for (const { label } of all) {
      const first: DrumPhase = { from: '2026-01-01T00:00:00.000000Z', holds: 'paracetamol' };
      const then: DrumPhase = { from: swapped.at, holds: 'naphthalene' };
      drums.set(label, label === swapped.label ? [first, then] : [first]);
    }
  }
  return { receipts, measured: [], drums };
}

describeBackups('rule 28: a restored backup of yesterday', () => {
  it(
    'sends nothing before it has read back, believes no lower revision, doubles nothing, releases nothing wrong',
    async () => {
      const [stopped, later] = [receiptOf(1), receiptOf(2)];
      await dock.conform(stopped);
      await dock.announce(later);
      const backup = join(temporaryDirectory(), 'yesterday.db');
      await backUp(world.databasePlace, backup);

      const swappedAt = formatInstant(world.clock.now());
      // The day after: one drum turns out to be another substance, and another receipt is measured and conforms.
      dock.measure(FIRST, stopped, 'D1-01', { holds: 'naphthalene' });
      dock.measure(FIRST, later, 'D2-01');
      dock.measure(FIRST, later, 'D2-02');
      const lost = dock.pack(FIRST);
      await world.take(lost);
      await dock.sync(SECOND);
      await world.says(stopped.id, 'does-not-conform');
      await world.says(later.id, 'conforms');
      await world.quiet();
      await world.until('ERP blocked it', () => erpUsage(world, stopped.id) === 'blocked');
      const erpRevision = (id: string) => world.erp.ledger.books.receipts.get(id)?.highestSeen ?? 0;
      const before = { stopped: erpRevision(stopped.id), later: erpRevision(later.id) };
      const counts = [world.lims, world.erp].map((s) => s.ledger.books.messages.length);
      const resultsOfLater = limsCount(later.id);
      expect(resultsOfLater).toBe(2);

      await world.stop();
      await world.restartAt(await putBack(backup));
      expect(await instance()).toMatchObject({ recovering: 'restored', epoch: 2 });
      // The database says that it conforms; who asks is told nothing rather than that.
      expect((await pull(stopped.id)).status).toBe(503);
      expect(erpUsage(world, stopped.id)).toBe('blocked');
      await readBack();
      expect([world.lims, world.erp].map((s) => s.ledger.books.messages.length)).toEqual(counts);
      expect((await resume({ reason: 'checked' })).json).toMatchObject({ code: 'read-backs-open' });
      const unknown = await world.db
        .selectFrom('discrepancy')
        .select(['receipt_id', 'destination'])
        .where('class', '=', 'unknown-at-source')
        .where('closed_at', 'is', null)
        .execute();
      expect(new Set(unknown.map((d) => d.receipt_id))).toEqual(new Set([stopped.id, later.id]));

      // The sync PC still has what the lost day took in.
      await world.take(lost);
      await dock.sync(SECOND);
      const resumed = await resume({
        reason: 'restored after a disk failure',
        unheardIsKnown: true,
      });
      expect(resumed.json).toMatchObject({ recovering: null });
      await world.quiet();
      const answers = (await pull(stopped.id)).json;
      expect(answers['outcome']).toBe('does-not-conform');
      expect(erpUsage(world, stopped.id)).toBe('blocked');
      expect(Number(answers['revision'])).toBeGreaterThan(before.stopped);
      expect(erpRevision(stopped.id)).toBeGreaterThan(before.stopped);
      expect(toldErp(world, stopped.id).at(-1)).toMatch(/^BLOCK-/);
      // Results that were there already were recognised by what they say, under whatever key they came.
      expect(limsCount(later.id)).toBe(resultsOfLater);
      const recognised = await world.db
        .selectFrom('audit_entry')
        .select('subject_id')
        .where('action', '=', 'delivery.recognised')
        .execute();
      expect(recognised.length).toBeGreaterThanOrEqual(4);
      // No statement of its own was ever numbered below what ERP has.
      const statements = await world.db
        .selectFrom('delivery')
        .select(['receipt_id', 'subject_revision'])
        .where('subject_kind', 'in', ['statement', 'stop'])
        .where('idempotency_key', 'like', '%.2')
        .where('state', '=', 'confirmed')
        .execute();
      for (const { receipt_id: id, subject_revision: revision } of statements) {
        const floor = id === stopped.id ? before.stopped : before.later;
        expect(revision).toBeGreaterThan(floor);
      }

      const common = { refusesDeclared: false };
      const { sinks, findings } = judge(
        truth([stopped, later], { label: 'D1-01', at: swappedAt }),
        [
          {
            ...common,
            name: 'lims',
            kind: 'askable',
            books: books(world.lims),
            fields: LIMS_FIELDS,
          },
          { ...common, name: 'erp', kind: 'honours', books: books(world.erp), fields: ERP_FIELDS },
        ],
      );
      const said = findings.filter((f) => /^(?:wrongRelease|double)/.test(f));
      expect({ wrongRelease: sinks.wrongRelease, double: sinks.double, said }).toEqual({
        wrongRelease: 0,
        double: 0,
        said: [],
      });
    },
    STORY_MS,
  );

  it(
    'keeps a stop that it lost in force until somebody acknowledges by signature what ERP holds',
    async () => {
      const receipt = receiptOf(1);
      await makePerson(world, 'ada', ['administrator']);
      await makePerson(world, 'sina', ['signer']);
      await makePerson(world, 'olga', ['signer'], { operatorIds: ['OP-11'] });
      await makePerson(world, 'robin', ['reviewer']);
      await dock.announce(receipt);
      await world.quiet();
      const backup = join(temporaryDirectory(), 'before.db');
      await backUp(world.databasePlace, backup);

      // The day after it conforms, and a container more is announced: a stop, which the backup does not have.
      for (const { label } of receipt.drums) dock.measure(FIRST, receipt, label);
      const lost = [dock.pack(FIRST), dock.pack(SECOND)];
      for (const bundle of lost) await world.take(bundle);
      await world.says(receipt.id, 'conforms');
      await world.until('ERP released it', () => erpUsage(world, receipt.id) === 'released');
      const more = { label: 'D1-99', holds: 'paracetamol' as const };
      await dock.announce({ ...receipt, drums: [...receipt.drums, more] });
      await world.until('ERP blocked it', () => erpUsage(world, receipt.id) === 'blocked');
      await world.quiet();
      const held = world.erp.ledger.books.receipts.get(receipt.id)?.highestSeen ?? 0;

      await world.stop();
      await world.restartAt(await putBack(backup));
      await readBack();
      for (const bundle of lost) await world.take(bundle);
      const path = `/api/v1/receipts/${receipt.id}/stops/lost`;
      const look = async () => (await world.http({ path, key: world.controlToken })).json;
      const acknowledge = async (fields: Record<string, unknown> = {}) =>
        world.http({
          path,
          method: 'POST',
          key: world.controlToken,
          headers: { 'content-type': 'application/json' },
          body: JSON.stringify({
            shown: (await look())['sha256'],
            investigation: 'INV-26-051',
            reason: 'the drum was announced to another receipt',
            userName: 'sina',
            password: PASSWORD,
            ...fields,
          }),
        });
      expect((await acknowledge()).json).toMatchObject({
        code: 'act-not-possible',
        detail: expect.stringContaining('resume it first') as string,
      });
      const again = await resume({ reason: 'disk failure', unheardIsKnown: true });
      expect(again.json).toMatchObject({ recovering: null });
      await world.quiet();
      // Its lost statements are settled by a sweep once ours lie above them; the stop is not.
      await sweepErp();
      const statement = await world.statement(receipt.id);
      expect(statement.conditions.filter((c) => c.state === 'unmet').map((c) => c.code)).toEqual([
        'no-open-discrepancy',
      ]);
      expect(erpUsage(world, receipt.id)).toBe('blocked');
      expect(await look()).toMatchObject({
        lost: [{ destination: 'erp', revision: held }],
        acknowledge: { possible: true },
      });

      // Who measured on it, answers for the key that announced it, may not lift stops, saw something else, or proves
      // nothing, ends nothing.
      const ansel = await makePerson(world, 'ansel', ['signer']);
      await world.write((db) => db.updateTable('api_key').set({ responsible: ansel }).execute());
      const refusals = [
        [{ userName: 'olga' }, 'duty-own-result'],
        [{ userName: 'ansel' }, 'duty-own-announcement'],
        [{ userName: 'robin' }, 'right-missing'],
        [{ shown: '0'.repeat(64) }, 'signature-stale'],
        [{ password: 'x' }, 'signature-not-proven'],
        [{ investigation: '' }, 'query-invalid'],
      ] as const;
      for (const [fields, code] of refusals) {
        expect((await acknowledge(fields)).json).toMatchObject({ code });
      }
      expect((await world.statement(receipt.id)).outcome).toBe('incomplete');

      // The same on the pages: the receipt leads to it, and what was refused is kept, without the password.
      const page = `/receipts/${receipt.id}/stops/lost`;
      const robin = await signIn(world, 'robin');
      const onReceipt = await asks(world, `/receipts/${receipt.id}`, robin);
      expect(onReceipt.text).toContain(`href="${page}"`);
      const seen = await asks(world, page, robin);
      expect(seen.text).toContain('Quality signers who are signed in');
      expect(seen.text).toContain('the quality unit releases');
      expect(seen.text).not.toContain('<form method="post" action="/receipts');
      const sina = await signIn(world, 'sina');
      const written = {
        shown: String((await look())['sha256']),
        investigation: 'INV-26-051',
        reason: 'announced to "another" receipt',
        userName: 'sina',
      };
      const refused = await sends(world, page, sina, { ...written, password: 'not the password' });
      expect(refused.status).toBe(403);
      expect(refused.text).toContain('value="announced to &quot;another&quot; receipt"');
      expect(refused.text).toContain('value="INV-26-051"');
      expect(refused.text).not.toContain('not the password');
      const other = await sends(world, page, robin, { ...written, password: PASSWORD });
      expect([other.status, other.json['code']]).toEqual([403, 'right-missing']);
      expect((await look())['lost']).toHaveLength(1);

      const done = await acknowledge();
      expect(done.json).toMatchObject({
        acknowledged: [expect.stringMatching(/^erp:/)],
        outcome: 'conforms',
        signature: { meaning: 'lifted', printedName: 'Person sina (simulated)' },
      });
      expect(Number(done.json['revision'])).toBeGreaterThan(held);
      await world.quiet();
      expect(toldErp(world, receipt.id).at(-1)).toBe('USE-PERMITTED');
      const closed = await world.db
        .selectFrom('discrepancy')
        .select('closing_evidence')
        .where('class', '=', 'unknown-at-source')
        .where('subject', '=', `holding:${(done.json['acknowledged'] as string[])[0]}`)
        .execute();
      expect(closed).toEqual([
        {
          closing_evidence: expect.stringMatching(
            /^signature:\S+ acknowledges it, investigation INV-26-051$/,
          ) as string,
        },
      ]);
      const trail = await world.db
        .selectFrom('audit_entry')
        .select(['actor_kind', 'after'])
        .where('action', '=', 'stop.lost-acknowledged')
        .execute();
      expect(trail).toMatchObject([{ actor_kind: 'person' }]);

      // A sweep that lists it still opens nothing again.
      await sweepErp();
      const after = await world.statement(receipt.id);
      const open = after.conditions.filter((c) => c.state !== 'met' && c.state !== 'not-evaluated');
      expect(open).toEqual([]);
      expect(after.outcome).toBe('conforms');
      expect(await look()).toMatchObject({
        lost: [],
        signatures: [{ printedName: 'Person sina (simulated)', meaning: 'lifted' }],
      });
      expect((await acknowledge()).json).toMatchObject({ code: 'act-not-possible' });
      const over = await asks(world, page, sina);
      expect(over.text).toContain('Not open: no destination holds a stop of it');
      expect(over.text).toContain('investigation INV-26-051');
      expect((await asks(world, `/receipts/${receipt.id}`, sina)).text).not.toContain(page);

      // What is technical may change there; what it says was signed as it stood, and as nothing else.
      const { messages } = world.erp.ledger.books;
      const [number] = (done.json['acknowledged'] as string[]).map((name) => name.slice(4));
      const stop = messages.find((message) => message.number === number);
      if (stop === undefined) throw new Error(`ERP holds no ${String(number)}`);
      Object.assign(stop, { applied: !stop.applied, arrivedAt: formatInstant(world.clock.now()) });
      await sweepErp();
      expect((await world.statement(receipt.id)).outcome).toBe('conforms');
      const content = stop.content.replace(/BLOCK-[A-Z]+/, 'BLOCK-OTHERWISE');
      Object.assign(stop, { content });
      await sweepErp();
      await world.says(receipt.id, 'incomplete');
      expect((await look())['lost']).toHaveLength(1);
    },
    2 * STORY_MS,
  );

  it(
    'takes a conforms back by a stop that only the lost life had sent',
    async () => {
      const receipt = receiptOf(1);
      await dock.announce(receipt);
      await world.quiet();
      const backup = join(temporaryDirectory(), 'before.db');
      await backUp(world.databasePlace, backup);
      // The day after it conforms, and the backup has none of it.
      for (const { label } of receipt.drums) dock.measure(FIRST, receipt, label);
      for (const bundle of [dock.pack(FIRST), dock.pack(SECOND)]) await world.take(bundle);
      await world.says(receipt.id, 'conforms');
      await world.until('ERP released it', () => erpUsage(world, receipt.id) === 'released');
      await world.quiet();
      const held = world.erp.ledger.books.receipts.get(receipt.id)?.highestSeen ?? 0;

      await world.stop();
      await world.restartAt(await putBack(backup));
      await readBack();
      const stops = () =>
        world.db
          .selectFrom('stop')
          .select(['kind', 'statement_revision as revision'])
          .where('receipt_id', '=', receipt.id)
          .orderBy('statement_revision')
          .execute();
      // What LIMS holds of the lost day is news by itself, where its list is read after ERP's.
      const [first, ...later] = await stops();
      expect(first).toEqual({ kind: 'suspend', revision: held + 1 });
      expect(new Set(later.map(({ kind }) => kind))).not.toContain('withdraw');
      expect((await resume({ reason: 'disk failure', unheardIsKnown: true })).status).toBe(200);
      await world.until('ERP blocked it', () => erpUsage(world, receipt.id) === 'blocked');
      expect(toldErp(world, receipt.id).at(-1)).toBe('BLOCK-DOUBT');
    },
    STORY_MS,
  );

  it(
    'asks about what seemed unsent, and sends it once when it is not there',
    async () => {
      const receipt = receiptOf(1);
      await world.http({
        path: '/api/v1/destinations/lims/pause',
        key: world.controlToken,
        headers: { 'content-type': 'application/json' },
        body: JSON.stringify({ reason: 'maintenance' }),
      });
      await dock.announce(receipt);
      await dock.measureAll(receipt);
      await world.until('it waits', async () => {
        const due = await world.db
          .selectFrom('delivery')
          .select('id')
          .where('destination', '=', 'lims')
          .where('payload_sha256', 'is not', null)
          .execute();
        return due.length === 2;
      });
      const backup = join(temporaryDirectory(), 'waiting.db');
      await backUp(world.databasePlace, backup);
      // After the backup one of the two is sent; the database that is put back knows of neither.
      const act = (what: string) =>
        world.http({
          path: `/api/v1/destinations/lims/${what}`,
          key: world.controlToken,
          headers: { 'content-type': 'application/json' },
          body: JSON.stringify({ reason: 'maintenance' }),
        });
      await act('resume');
      await world.until('both are there', () => limsCount(receipt.id) === 2);
      await world.quiet();
      world.lims.ledger.books.messages.splice(1, 1);

      await world.stop();
      await world.restartAt(await putBack(backup));
      await readBack();
      expect(limsCount(receipt.id)).toBe(1);
      expect((await resume({ reason: 'checked', unheardIsKnown: true })).status).toBe(200);
      // The pause of the person who held it at the time of the backup stands again.
      const { json } = await world.http({ path: '/api/v1/destinations' });
      expect(json['destinations']).toContainEqual(
        expect.objectContaining({ name: 'lims', paused: true, pauseReason: 'maintenance' }),
      );
      await act('resume');
      await world.until('the other is sent', () => limsCount(receipt.id) === 2);
      await world.quiet();
      expect(limsCount(receipt.id)).toBe(2);
    },
    STORY_MS,
  );
});

describe.skipIf(isPostgres)('rule 28: a copied database', () => {
  it('is recognised in another folder, and as an older file in its own, and starts paused', async () => {
    await dock.conform(receiptOf(1));
    const original = world.dataDirectory;
    const older = join(temporaryDirectory(), 'older.db');
    await writeBackup(original, older);
    await world.stop();
    const copy = temporaryDirectory();
    for (const name of ['drumline.db', 'instance.json']) {
      copyFileSync(join(original, name), join(copy, name));
    }
    await world.restartAt(folder(copy));
    expect(await instance()).toMatchObject({ recovering: 'copied', epoch: 2 });
    await world.stop();
    await world.restartAt(folder(original));
    expect(await instance()).toMatchObject({ recovering: null, epoch: 1 });
    await world.stop();
    // Written into the file that is there, as a copy over it does.
    writeFileSync(join(original, 'drumline.db'), readFileSync(older));
    await world.restartAt(folder(original));
    expect(await instance()).toMatchObject({ recovering: 'older-file', epoch: 2 });
    await world.stop();
    await world.restartAt(folder(original));
    expect(await instance()).toMatchObject({ recovering: 'older-file', epoch: 2 });
  });

  it.skipIf(!KEEPS_BIRTHS)(
    'is recognised where its whole folder was put back over itself, and by no other start',
    async () => {
      const live = world.dataDirectory;
      const nightly = join(temporaryDirectory(), 'nightly');
      await world.stop();
      cpSync(live, nightly, { recursive: true, preserveTimestamps: true });
      await world.restartAt(folder(live));
      await dock.conform(receiptOf(1));
      await world.restart();
      expect(await instance()).toMatchObject({ recovering: null, epoch: 1 });
      await world.stop();
      const { ino } = statSync(join(live, 'drumline.db'));
      execFileSync('cp', ['-a', `${nightly}/.`, live]);
      expect(statSync(join(live, 'drumline.db')).ino).toBe(ino);
      await world.restartAt(folder(live));
      expect(await instance()).toMatchObject({ recovering: 'copied', epoch: 2 });
      await world.restart();
      expect(await instance()).toMatchObject({ recovering: 'copied', epoch: 2 });
    },
    STORY_MS,
  );
});

describe.skipIf(isPostgres)('a backup', () => {
  it('is refused when it was changed, without its manifest, and over anything that is there', async () => {
    const folder = temporaryDirectory();
    const backup = join(folder, 'b.db');
    const manifest = await writeBackup(world.dataDirectory, backup);
    expect(manifest).toMatchObject({ format: 'drumline-backup', instance: { epoch: 1 } });
    await expect(writeBackup(world.dataDirectory, backup)).rejects.toThrow('is there already');
    const target = join(folder, 'data');
    const bytes = readFileSync(backup);
    bytes[bytes.length - 1] = (bytes.at(-1) ?? 0) ^ 1;
    const changed = join(folder, 'c.db');
    writeFileSync(changed, bytes);
    copyFileSync(`${backup}.manifest.json`, `${changed}.manifest.json`);
    await expect(restoreBackup(changed, target)).rejects.toThrow('its manifest says');
    const alone = join(folder, 'd.db');
    copyFileSync(backup, alone);
    await expect(restoreBackup(alone, target)).rejects.toThrow('manifest');
    await expect(restoreBackup(backup, folder)).rejects.toThrow('holds something');
    expect(existsSync(target)).toBe(false);
    // What a restore that was killed left beside it is no folder of a gateway, and the next one clears it away.
    mkdirSync(`${target}.restoring`);
    writeFileSync(join(`${target}.restoring`, 'drumline.db'), 'half of it');
    expect(await restoreBackup(backup, target)).toMatchObject({ data: target });
    expect(readdirSync(target)).toContain('drumline.db');
    expect(readdirSync(folder).filter((name) => name.includes('restoring'))).toEqual([]);
  });

  it('that is restored twice into one folder at once is restored once, and the other is told', async () => {
    const folder = temporaryDirectory();
    const backup = join(folder, 'b.db');
    await writeBackup(world.dataDirectory, backup);
    const target = join(folder, 'data');
    const both = await Promise.allSettled([
      restoreBackup(backup, target),
      restoreBackup(backup, target),
    ]);
    const failed = both.flatMap((end) => (end.status === 'rejected' ? [String(end.reason)] : []));
    expect(failed).toEqual([expect.stringContaining('another restore')]);
    expect(readdirSync(folder).sort()).toEqual(['b.db', 'b.db.manifest.json', 'data']);
    await world.stop();
    await world.restartAt({ dataDirectory: target, databaseUrl: null });
    expect(await instance()).toMatchObject({ recovering: 'restored', epoch: 2 });
  });
});

function books(standIn: GatewayWorld['lims']) {
  const held = standIn.ledger.books;
  return { ...held, receipts: [...held.receipts.values()] };
}
