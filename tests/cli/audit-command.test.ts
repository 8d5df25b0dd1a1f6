import { execFile } from 'node:child_process';
import { cpSync, readFileSync, statSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { promisify } from 'node:util';
import Database from 'better-sqlite3';
import { describe, expect, it } from 'vitest';
import { recordAudit } from '../../src/audit/audit.store.js';
import { readCheckpointFolder } from '../../src/audit/checkpoint-folder.files.js';
import { verifyExport } from '../../src/audit/export.files.js';
import { newTrailKey } from '../../src/audit/signing-key.js';
import { type Signature, signatureDigest } from '../../src/signatures/signature.js';
import { signatureOf } from '../../src/signatures/signatures.store.js';
import { openDatabase } from '../../src/storage/database.js';
import type { SignatureRow } from '../../src/storage/tables.js';
import { change, SITE, sealerOn } from '../audit/sealing-world.js';
import { reviewedWorld } from '../pipeline/trail-review-world.js';
import { repositoryRoot } from '../support/shared.js';
import { temporaryDirectory } from '../support/temp-database.js';

const run = promisify(execFile);
const BIN = join(repositoryRoot(), 'bin', 'drumline.js');

async function drumline(...args: string[]) {
  const env = { PATH: process.env['PATH'] ?? '' };
  const ended = await run(process.execPath, [BIN, ...args], { env, cwd: repositoryRoot() }).then(
    ({ stdout, stderr }) => ({ code: 0, stdout, stderr }),
    (error: { code: number; stdout: string; stderr: string }) => error,
  );
  const line = ended.stdout.trim().split('\n').at(-1) ?? '';
  return { ...ended, json: line.startsWith('{') ? JSON.parse(line) : null };
}

/** A data folder with a sealed trail, signed, with checkpoints outside. */
async function sealedFolder() {
  const directory = temporaryDirectory();
  const data = join(directory, 'data');
  const made = await drumline(
    'audit',
    'key',
    'create',
    '--out',
    join(directory, 'trail.key'),
    '--data',
    data,
    '--json',
  );
  const folder = temporaryDirectory();
  const { key } = newTrailKey();
  writeFileSync(join(directory, 'pinned.pub'), key.publicKey);
  const database = await openDatabase(data);
  const { sealer, clock } = await sealerOn(database, { key, folder, checkpointEveryEntries: 4 });
  await change(database, 9, clock);
  await sealer.sealAll();
  await change(database, 3, clock);
  await sealer.stop();
  const publicKey = join(directory, 'pinned.pub');
  return { directory, data, folder, database, made, key, publicKey };
}

describe('drumline audit', () => {
  it('makes a key that only its owner can read, beside its public half, and never twice', async () => {
    const { made, directory, database } = await sealedFolder();
    await database.close();
    const file = join(directory, 'trail.key');
    expect(made.code).toBe(0);
    expect(statSync(file).mode & 0o777).toBe(0o600);
    expect(readFileSync(`${file}.pub`, 'utf8').trim()).toBe(made.json.publicKey);
    const again = await drumline('audit', 'key', 'create', '--out', file, '--json');
    expect(again.code).toBe(2);
    const inside = join(directory, 'data', 'x.key');
    const refused = await drumline(
      'audit',
      'key',
      'create',
      '--out',
      inside,
      '--data',
      join(directory, 'data'),
    );
    expect(refused.code).toBe(2);
    expect(refused.stderr).toContain('trail-key-unusable');
  });

  it('takes a trail that was wiped out as a whole for broken where checkpoints outside speak of it, and never for whole', async () => {
    const { directory, data, folder, database } = await sealedFolder();
    await database.close();
    const copy = join(directory, 'wiped.db');
    cpSync(join(data, 'drumline.db'), copy);
    const file = new Database(copy);
    const triggers = file.prepare("select name from sqlite_master where type = 'trigger'").all();
    for (const { name } of triggers as { name: string }[]) file.exec(`drop trigger ${name}`);
    for (const table of ['audit_entry', 'trail_head', 'trail_checkpoint']) {
      file.exec(`delete from ${table}`);
    }
    file.close();
    const verify = ['audit', 'verify', '--file', copy];
    const compared = await drumline(...verify, '--checkpoints', folder, '--json');
    expect(compared.code).toBe(1);
    expect(compared.json.entries).toBe(0);
    expect(compared.json.firstBroken).not.toBeNull();
    const alone = await drumline(...verify);
    expect(alone.code).toBe(2);
    expect(alone.stderr).toContain('trail-unreadable');
    expect(alone.stderr).toContain(copy);
  });

  it('takes a trail that went on from a backup for whole once somebody names that very restore', async () => {
    const { directory, data, folder, database, key, publicKey } = await sealedFolder();
    const copy = join(directory, 'put-back');
    await database.close();
    cpSync(data, copy, { recursive: true });
    // The life that goes on, which its checkpoints outside speak of.
    const before = await openDatabase(data);
    const lost = await sealerOn(before, { key, folder, checkpointEveryEntries: 4 });
    await change(before, 8, lost.clock);
    await lost.sealer.stop();
    await before.close();
    const { checkpoints } = readCheckpointFolder(folder);
    const { checkpoint } = checkpoints.at(-1) ?? {};
    // The life that was put back, and says so.
    const after = await openDatabase(copy);
    const again = await sealerOn(after, { key, checkpointEveryEntries: 4 });
    await after.transact((trx) =>
      recordAudit(trx, {
        site: SITE,
        zone: 'Europe/Berlin',
        at: again.clock.now(),
        actor: { kind: 'system', name: 'start' },
        action: 'instance.recovering',
        subjectKind: 'instance',
        subjectId: checkpoint?.instance ?? '',
        after: { epoch: 2, cause: 'restored', sealed: 13 },
      }),
    );
    await again.sealer.stop();
    await after.close();
    const verify = (...more: string[]) =>
      drumline(
        ...['audit', 'verify', '--data', copy, '--checkpoints', folder],
        ...['--public-key', publicKey, '--json', ...more],
      );
    const found = await verify();
    expect(found.json).toMatchObject({ firstBroken: null, endedLives: [{ epoch: 0 }] });
    expect(found.json.unexplained).toEqual(found.json.endedLives);
    expect(found.code).toBe(1);
    const known = await verify('--restored', '2@13');
    expect(known.json).toMatchObject({ endedLives: [{ epoch: 0 }], unexplained: [] });
    expect(known.code).toBe(0);
    for (const other of ['3@13', '2@12']) expect((await verify('--restored', other)).code).toBe(1);
    const wrong = await verify('--restored', 'yes');
    expect(wrong.code).toBe(2);
    expect(wrong.stderr).toContain('2@1234');
    const words = await drumline('audit', 'verify', '--data', copy, '--checkpoints', folder);
    expect(words.stdout).toMatch(/NOT EXPLAINED: that life 0 ended.* --restored 2@13;/);
  });

  it('verifies a running gateway, a copy and an export alike, and names what was edited', async () => {
    const { directory, data, folder, database, publicKey } = await sealedFolder();
    const compare = ['--checkpoints', folder, '--public-key', publicKey, '--json'];
    const live = await drumline('audit', 'verify', '--data', data, ...compare);
    expect(live.json).toMatchObject({ entries: 13, sealed: 13, firstBroken: null });
    expect(live.code).toBe(0);
    const exported = join(directory, 'trail.jsonl');
    const written = await drumline('audit', 'export', '--data', data, '--out', exported, '--json');
    expect(written.json).toMatchObject({ site: 'northquay', entries: 13 });
    const second = await drumline('audit', 'export', '--data', data, '--out', exported, '--json');
    expect(second.code).toBe(2);
    const fromExport = await drumline('audit', 'verify', '--export', exported, ...compare);
    expect(fromExport.json).toMatchObject({ entries: 13, sealed: 13, firstBroken: null });
    expect(fromExport.json.trails[0].root).toBe(live.json.trails[0].root);
    // The few lines of docs/trail.md follow the same chain without Drumline.
    const page = readFileSync(join(repositoryRoot(), 'docs', 'trail.md'), 'utf8');
    const script = join(directory, 'follow.mjs');
    writeFileSync(script, /```js\n([\s\S]*?)```/.exec(page)?.[1] ?? '');
    const shell = ['-c', `${process.execPath} ${script} < ${exported}`];
    expect((await run('sh', shell)).stdout.trim()).toBe(live.json.trails[0].head);
    await database.close();

    const copy = join(directory, 'copy.db');
    cpSync(join(data, 'drumline.db'), copy);
    const file = new Database(copy);
    file.exec('drop trigger audit_entry_no_update');
    file.exec("update audit_entry set reason = 'nothing happened' where sequence = 5");
    file.close();
    const broken = await drumline('audit', 'verify', '--file', copy, '--json');
    expect(broken.code).toBe(1);
    expect(broken.json.firstBroken).toMatchObject({ kind: 'edited', sequence: 5 });
    const words = await drumline('audit', 'verify', '--file', copy);
    expect(words.stdout).toMatch(/^BROKEN: edited at entry 5/);

    const lines = readFileSync(exported, 'utf8').trimEnd().split('\n');
    const without = (n: number) => lines.filter((_, i) => i !== n);
    for (const [name, text] of [
      ['an entry less', without(4)],
      ['cut', lines.slice(0, -3)],
      ['no heading', without(0)],
      ['a word changed', lines.map((line, i) => (i === 6 ? line.replace('thing', 'other') : line))],
      ['garbage', [...lines.slice(0, 5), '{"kind":"entry"', ...lines.slice(5)]],
      ['more behind', [...lines, lines[3] ?? '']],
      ['nothing', []],
    ] as const) {
      const path = join(directory, `${name}.jsonl`);
      writeFileSync(path, text.length === 0 ? '' : `${text.join('\n')}\n`);
      const { trail: found } = await verifyExport(path, { keys: [], outside: [] });
      expect(found.firstBroken, name).not.toBeNull();
    }
  });

  it('says what it cannot read, with the remedy', async () => {
    const directory = temporaryDirectory();
    const other = join(directory, 'other.db');
    new Database(other).exec('create table x (y text)').close();
    writeFileSync(join(directory, 'no.db'), 'no database at all, only text'.repeat(100));
    const wrong = [
      ['--data', join(directory, 'none')],
      ['--file', other],
      ['--file', join(directory, 'no.db')],
      ['--export', join(directory, 'none.jsonl')],
      ['--file', other, '--checkpoints', join(directory, 'none')],
      ['--file', other, '--public-key', other],
    ];
    const all = await Promise.all(
      wrong.map((args) => drumline('audit', 'verify', ...args, '--json')),
    );
    for (const [n, refused] of all.entries()) {
      const args = wrong[n] ?? [];
      expect(refused.code, args.join(' ')).toBe(2);
      expect(refused.stderr, args.join(' ')).toContain('trail-unreadable');
      expect(refused.stderr).not.toMatch(/\n\s+at /);
    }
  });

  it('verifies signatures of a running gateway, a copy and an export, and names each that is broken', async () => {
    const directory = temporaryDirectory();
    const data = join(directory, 'data');
    const database = await openDatabase(data);
    const world = await reviewedWorld(database);
    const signer = await world.person('sam');
    await world.sign(signer);
    await world.sealer.sealAll();
    await world.sign(signer);
    await world.sealer.stop();
    const exported = join(directory, 'trail.jsonl');
    const written = await drumline('audit', 'export', '--data', data, '--out', exported, '--json');
    expect(written.json).toMatchObject({ signatures: 2 });
    const whole = { checked: 2, broken: [] };
    for (const source of [
      ['--data', data],
      ['--export', exported],
    ]) {
      const found = await drumline('audit', 'verify', ...source, '--json');
      expect([found.code, found.json.signatures]).toEqual([0, whole]);
    }
    await database.close();

    const [first, second] = readSignatures(data);
    if (!first || !second) throw new Error('nobody signed');
    for (const [name, change, broken] of TAMPERINGS) {
      const copy = join(directory, `${name.replaceAll(' ', '-')}.db`);
      cpSync(join(data, 'drumline.db'), copy);
      const file = new Database(copy);
      file.exec('drop trigger signature_no_update; drop trigger signature_no_delete');
      change(file, first, second);
      file.close();
      const found = await drumline('audit', 'verify', '--file', copy, '--json');
      const faults = found.json.signatures.broken.map((b: { fault: string }) => b.fault);
      expect([name, found.code, faults, found.json.firstBroken]).toEqual([name, 1, broken, null]);
      const out = `${copy}.jsonl`;
      await drumline('audit', 'export', '--file', copy, '--out', out);
      const again = await drumline('audit', 'verify', '--export', out, '--json');
      expect([name, again.code, again.json.signatures]).toEqual([name, 1, found.json.signatures]);
    }
    const lines = readFileSync(exported, 'utf8').trimEnd().split('\n');
    const cut = lines.filter((line) => !line.includes(`"kind":"signature"`));
    writeFileSync(join(directory, 'cut.jsonl'), `${cut.join('\n')}\n`);
    const words = await drumline('audit', 'verify', '--export', join(directory, 'cut.jsonl'));
    expect(words.code).toBe(1);
    expect(words.stdout).toMatch(/BROKEN SIGNATURES: 2, of 0 here\n {2}missing: /);
  }, 120_000);
});

/** What the owner of a database can do to its signatures, digests fixed up where a digest would show it. */
const TAMPERINGS: readonly (readonly [
  string,
  (file: Database.Database, first: Signature, second: Signature) => void,
  readonly string[],
])[] = [
  ['edited', (file, { id }) => exec(file, 'reason', 'something else', id), ['altered']],
  [
    'edited with its digest',
    (file, first) => {
      exec(file, 'reason', 'something else', first.id);
      const digest = signatureDigest({ ...first, reason: 'something else' });
      exec(file, 'digest', digest, first.id);
    },
    ['other-digest'],
  ],
  [
    'moved to another record',
    (file, first, second) => {
      const { subject } = second;
      exec(file, 'subject_id', subject.id, first.id);
      exec(file, 'digest', signatureDigest({ ...first, subject }), first.id);
    },
    ['other-digest'],
  ],
  [
    'copied',
    (file, first, { subject }) => {
      const copy = { ...first, id: `${first.id}-copy`, subject, series: 'another' };
      file
        .prepare(
          `insert into signature select @id, site, at, zone, account_id, user_name, printed_name, meaning,
           subject_kind, @subject, subject_revision, shown, shown_sha256, reason, source, @series, series_number,
           components, @digest from signature where id = @of`,
        )
        .run({
          id: copy.id,
          subject: subject.id,
          series: copy.series,
          digest: signatureDigest(copy),
          of: first.id,
        });
    },
    ['not-in-trail'],
  ],
  [
    'cut out',
    (file, first) => {
      file.prepare('delete from signature where id = ?').run(first.id);
    },
    ['missing'],
  ],
];

function exec(file: Database.Database, column: string, value: string, id: string): void {
  file.prepare(`update signature set ${column} = ? where id = ?`).run(value, id);
}

function readSignatures(data: string): Signature[] {
  const file = new Database(join(data, 'drumline.db'), { readonly: true });
  const rows = file.prepare('select * from signature order by id').all() as SignatureRow[];
  file.close();
  return rows.map(signatureOf);
}
