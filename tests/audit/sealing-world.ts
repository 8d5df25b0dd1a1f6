import { pino } from 'pino';
import { uuidv7 } from 'uuidv7';
import { recordAudit } from '../../src/audit/audit.store.js';
import { CheckpointOutlet } from '../../src/audit/checkpoint-outlet.service.js';
import { type SealerOptions, TrailSealer } from '../../src/audit/sealer.service.js';
import { type Comparing, verifyDatabase } from '../../src/audit/verification.service.js';
import type { TrailReport } from '../../src/audit/verify-trail.js';
import type { Instant } from '../../src/formats/instant.js';
import type { Clock } from '../../src/storage/clock.js';
import type { OpenDatabase } from '../../src/storage/database.js';
import { ManualClock } from '../support/temp-database.js';

export const SITE = 'northquay';
export const NONE: Comparing = { keys: [], outside: [] };

/** A worker whose row is there, as the sealer needs it. */
export async function livingWorker(database: OpenDatabase, clock: Clock) {
  const id = uuidv7();
  const now = clock.now();
  await database.db
    .insertInto('worker')
    .values({ id, started_at: now, heartbeat_at: now, stopped_at: null })
    .execute();
  return { id, mayStart: true };
}

export async function die(database: OpenDatabase, id: string, at: Instant): Promise<void> {
  await database.db.updateTable('worker').set({ stopped_at: at }).where('id', '=', id).execute();
}

/** A sealer that works when it is told to, by a clock that stands still; `said` are the errors it logs. */
export async function sealerOn(
  database: OpenDatabase,
  more: Partial<SealerOptions> & { readonly folder?: string; readonly clock?: ManualClock } = {},
) {
  const { folder, clock = new ManualClock(), ...options } = more;
  const worker = await livingWorker(database, clock);
  const lines: string[] = [];
  const log = pino({ level: 'info' }, { write: (line) => lines.push(line) });
  const said = () =>
    lines
      .map((line) => JSON.parse(line) as { level: number; event: string; file?: string })
      .filter(({ level }) => level >= (pino.levels.values['error'] ?? 0));
  const outlet = new CheckpointOutlet(database, log, folder ?? null, SITE);
  const sealer = new TrailSealer(
    { database, clock, worker, log, outlet },
    {
      site: SITE,
      zone: 'Europe/Berlin',
      key: null,
      keyBefore: null,
      checkpointEveryMs: 300_000,
      checkpointEveryEntries: 1_000,
      ...options,
    },
  );
  return { sealer, clock, worker, outlet, said, logged: () => lines.join('') };
}

/** Commits entries as the service does, each in a transaction of its own. */
export async function change(database: OpenDatabase, count: number, clock: Clock): Promise<void> {
  for (let n = 0; n < count; n += 1) {
    await database.transact((trx) =>
      recordAudit(trx, {
        site: SITE,
        zone: 'Europe/Berlin',
        at: clock.now(),
        actor: { kind: 'cli', name: 'cli', source: '192.0.2.7' },
        action: 'thing.changed',
        subjectKind: 'thing',
        subjectId: `t-${n}`,
        reason: `drum ${n} – “relabelled” ☃ \u0000`.replace('\u0000', ''),
        before: { n: n - 1 },
        after: { n, text: '\ud83d\ude00' },
      }),
    );
  }
}

export function verdict(database: OpenDatabase, comparing = NONE): Promise<TrailReport> {
  return verifyDatabase(database.db, SITE, comparing);
}
