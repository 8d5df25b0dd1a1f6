import { type Actor, recordAudit } from '../audit/audit.store.js';
import { lockDestination } from '../delivery/destination.store.js';
import { setPause } from '../delivery/destination-control.store.js';
import { pauseOf, resumedAfterRestore } from '../delivery/pause.js';
import { countUnanswered } from '../delivery/recovery-doubt.store.js';
import { addMs, formatInstant, type Instant } from '../formats/instant.js';
import type { SweepService } from '../reconciliation/sweep.service.js';
import { visibleAfterMs } from '../reconciliation/sweep-rules.js';
import type { Destination, SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import type { InstanceRow, SweepRow } from '../storage/tables.js';
import { readInstance } from './instance.store.js';
import {
  endRecovery,
  openStopCount,
  recoverySweeps,
  unheardInstruments,
} from './recovery.store.js';

/** Backups and clocks are not exact: so much before the last known fact the destinations are read back too. */
const BEFORE_LAST_FACT_MS = 3_600_000;
const BEGINNING = 0 as Instant;
/** From a read-back that was given up to the next, doubled each time; the state says why. */
const AGAIN_MS = 60_000;
const AGAIN_MS_MAX = 3_600_000;
const SYSTEM: Actor = { kind: 'system', name: 'recovery' };

/** What stands between a restored database and its resuming; empty lists and zero: nothing. */
export interface RecoveryState {
  readonly recovering: string | null;
  readonly epoch: number;
  readonly since: string | null;
  readonly factsUntil: string | null;
  /** Destinations whose list was not read back yet. */
  readonly notReadBack: readonly string[];
  /** From when the last of them can be: before, what was sent last may not be visible there. Null when all can be. */
  readonly readBackNotBefore: string | null;
  /** Of those that were not, why the last attempt was given up; each is begun anew after a while. */
  readonly givenUp: readonly { readonly destination: string; readonly detail: string }[];
  /** Destinations that cannot be listed: what may be there already is parked instead of sent. */
  readonly notListed: readonly string[];
  /** Deliveries of the life before that no destination answered for. */
  readonly unanswered: number;
  /** Instruments in service that have not synced since: what they measured after the backup may be lost. */
  readonly unheardInstruments: readonly string[];
  /** Stops that wait for the resuming: call somebody. */
  readonly waitingStops: number;
}

export type Resumed =
  | { readonly ok: true; readonly state: RecoveryState }
  | {
      readonly ok: false;
      readonly reason: 'not-recovering' | 'open';
      readonly state: RecoveryState;
    };

export interface RecoveryParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  /** The row as this process found it at its start. */
  readonly atStart: InstanceRow;
  /** True once another life of the database than this process began with was found. */
  readonly isOutlived: () => boolean;
  readonly onResumed: () => void;
}

/**
 * Since when the destinations are read back. A last fact that lies ahead of the restore was written by a clock that was
 * ahead: a little, as two machines differ, changes nothing. By how much it was ahead otherwise nobody knows, and so not
 * when that life ended here: all they hold is read.
 */
function readBackFrom(factsUntil: Instant, since: Instant): Instant {
  return factsUntil > addMs(since, BEFORE_LAST_FACT_MS)
    ? BEGINNING
    : addMs(factsUntil, -BEFORE_LAST_FACT_MS);
}

/** When a destination shows even what was sent to it in the moment before a recovery began. */
function readableFrom({ timing }: Destination, since: Instant): Instant {
  return addMs(since, visibleAfterMs(timing));
}

/** When a read-back that was given up is begun anew: for a fixed reason it would be given up at once, for ever. */
function begunAnewFrom(givenUp: readonly Pick<SweepRow, 'finished_at'>[]): Instant {
  const last = givenUp.at(-1)?.finished_at ?? null;
  if (last === null) return BEGINNING;
  const waitMs = AGAIN_MS * 2 ** Math.min(givenUp.length - 1, 10);
  return addMs(last, Math.min(waitMs, AGAIN_MS_MAX));
}

/** A database that was restored or copied reads its destinations back, and a person lets it go on (rule 28). */
export class RecoveryService {
  #mayRecover: boolean;

  constructor(private readonly parts: RecoveryParts) {
    this.#mayRecover = parts.atStart.recovering !== null;
  }

  /** Reads the row only while this process may be in recovery: it begins at a start and nowhere else. */
  async isRecovering(): Promise<boolean> {
    // Whether that life waits for somebody is known to the processes that began with it.
    if (this.parts.isOutlived()) return true;
    if (!this.#mayRecover) return false;
    this.#mayRecover = (await readInstance(this.parts.database.db)).recovering !== null;
    return this.#mayRecover;
  }

  /**
   * Puts down the sweeps that a recovery rests on, where they are not there yet, and anew where one was given up, after a
   * wait that grows; each once what the life before sent last must be visible. Called again until all are there.
   *
   * @returns the destinations that have to be swept now
   */
  async requestSweeps(sweeps: SweepService): Promise<readonly Destination[]> {
    // Another life of the database asks for its own.
    if (this.parts.isOutlived() || !(await this.isRecovering())) return [];
    const { database, clock, site, atStart } = this.parts;
    const now = clock.now();
    const since = atStart.recovering_since ?? now;
    const from = readBackFrom(atStart.facts_until ?? since, since);
    const swept = await recoverySweeps(database.db, site.site, since);
    const made = swept.filter((s) => s.state !== 'failed');
    const failed = swept.filter((s) => s.state === 'failed');
    const requested: Destination[] = [];
    for (const destination of site.destinations) {
      const { name } = destination;
      if (!sweeps.canList(name) || made.some((s) => s.destination === name)) continue;
      if (readableFrom(destination, since) > now) continue;
      if (begunAnewFrom(failed.filter((s) => s.destination === name)) > now) continue;
      await sweeps.request(name, { from, to: now }, 'recovery', SYSTEM);
      requested.push(destination);
    }
    return requested;
  }

  async state(sweeps: SweepService): Promise<RecoveryState> {
    const { database, site, clock } = this.parts;
    const { db } = database;
    const row = await readInstance(db);
    const none = {
      notReadBack: [],
      readBackNotBefore: null,
      givenUp: [],
      notListed: [],
      unanswered: 0,
      unheardInstruments: [],
      waitingStops: 0,
    };
    const head = {
      recovering: row.recovering,
      epoch: row.epoch,
      since: row.recovering_since === null ? null : formatInstant(row.recovering_since),
      factsUntil: row.facts_until === null ? null : formatInstant(row.facts_until),
    };
    if (row.recovering === null || row.recovering_since === null) return { ...head, ...none };
    const swept = await recoverySweeps(db, site.site, row.recovering_since);
    const done = swept.filter((s) => s.state === 'done').map((s) => s.destination);
    const names = site.destinations.map((d) => d.name);
    const listed = names.filter((name) => sweeps.canList(name));
    const notReadBack = listed.filter((name) => !done.includes(name));
    const since = row.recovering_since;
    const readable = site.destinations
      .filter((d) => notReadBack.includes(d.name))
      .map((d) => readableFrom(d, since));
    const last = Math.max(0, ...readable) as Instant;
    return {
      ...head,
      notReadBack,
      readBackNotBefore: last > clock.now() ? formatInstant(last) : null,
      givenUp: notReadBack.flatMap((destination) => {
        const latest = swept.filter((s) => s.destination === destination).at(-1);
        const isGivenUp = latest?.state === 'failed';
        return isGivenUp ? [{ destination, detail: latest.detail ?? '' }] : [];
      }),
      notListed: names.filter((name) => !listed.includes(name)),
      unanswered: await countUnanswered(db, site.site),
      unheardInstruments: await unheardInstruments(
        db,
        site.site,
        site.instruments.filter((i) => i.inService).map((i) => i.serial),
        row.recovering_since,
      ),
      waitingStops: await openStopCount(db, site.site),
    };
  }

  /**
   * Lets the gateway send again. Refused while a read-back is open, and while an instrument was not heard from
   * since, unless the person says that this is known.
   */
  async resume(
    sweeps: SweepService,
    act: { readonly reason: string; readonly actor: Actor; readonly unheardIsKnown: boolean },
  ): Promise<Resumed> {
    const state = await this.state(sweeps);
    if (state.recovering === null) return { ok: false, reason: 'not-recovering', state };
    const isOpen =
      state.notReadBack.length > 0 ||
      state.unanswered > 0 ||
      (state.unheardInstruments.length > 0 && !act.unheardIsKnown);
    if (isOpen) return { ok: false, reason: 'open', state };
    await this.#lift(state, act);
    this.parts.onResumed();
    return { ok: true, state: await this.state(sweeps) };
  }

  async #lift(
    before: RecoveryState,
    act: { readonly reason: string; readonly actor: Actor },
  ): Promise<void> {
    const { database, clock, site } = this.parts;
    await database.transact(async (trx) => {
      const now: Instant = clock.now();
      for (const { name, timing } of site.destinations) {
        const row = await lockDestination(trx, site.site, name, timing.ratePerSecond, now);
        await setPause(trx, { site: site.site, name }, resumedAfterRestore(pauseOf(row)));
      }
      await endRecovery(trx);
      await recordAudit(trx, {
        site: site.site,
        zone: site.timeZone,
        at: now,
        actor: act.actor,
        action: 'instance.resumed',
        subjectKind: 'instance',
        subjectId: this.parts.atStart.id,
        reason: act.reason,
        before,
        after: { recovering: null },
      });
    });
  }
}
