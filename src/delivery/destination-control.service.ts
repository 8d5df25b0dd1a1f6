import { type Actor, recordAudit } from '../audit/audit.store.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import type { Destination, SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import type { DestinationRow } from '../storage/tables.js';
import { breakerAt } from './breaker.js';
import { breakerOf, lockDestination } from './destination.store.js';
import {
  type DestinationLoad,
  destinationLoads,
  destinationRows,
  setPause,
} from './destination-control.store.js';
import { OPEN, type Pause, pauseDigest, pausedBy, pauseOf, resumed } from './pause.js';
import { refilledTokens } from './token-bucket.js';

/** A destination as a person asks about it. */
export interface ShownDestination {
  readonly name: string;
  readonly title: string;
  readonly acts: boolean;
  readonly paused: boolean;
  readonly pauseReason: string | null;
  /** A person's pause that stands again after the one of a restore. */
  readonly pauseKept: string | null;
  /** Names the pause as it stands, or that there is none. */
  readonly pauseDigest: string;
  readonly breaker: 'closed' | 'open' | 'half-open';
  readonly breakerUntil: string | null;
  readonly tokens: number;
  readonly ratePerSecond: number;
  readonly waiting: number;
  readonly inFlight: number;
  readonly inFlightMax: number;
  readonly parked: number;
  readonly rejected: number;
  readonly openStops: number;
}

/** A person's decision about a pause. */
export interface PauseAct {
  readonly reason: string;
  readonly actor: Actor;
  /** `pauseDigest` of what the person looked at; null: whatever stands. */
  readonly digest: string | null;
}

/** The pause after an act; or the one that stands, which is not what was looked at, and then nothing was done. */
export interface PauseAnswer {
  readonly ok: boolean;
  readonly pause: Pause;
}

/** How a destination stands, and a person's pause of it. Stops pass a pause; so do questions. */
export class DestinationControl {
  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly site: SiteFolder,
    /** Called after a resume: what waited may leave. */
    private readonly onResumed: (destination: string) => void,
  ) {}

  async list(): Promise<ShownDestination[]> {
    const { db } = this.database;
    const now = this.clock.now();
    const rows = new Map((await destinationRows(db, this.site.site)).map((r) => [r.name, r]));
    const loads = new Map(
      (await destinationLoads(db, this.site.site)).map((load) => [load.destination, load]),
    );
    return this.site.destinations.map((d) => shown(d, rows.get(d.name), loads.get(d.name), now));
  }

  /** Null when the site has no destination of this name. */
  pause(name: string, act: PauseAct): Promise<PauseAnswer | null> {
    return this.#change(name, 'destination.paused', act, (before) => pausedBy(before, act.reason));
  }

  /** As `pause`. The pause after a restore stays, see `drumline resume`. */
  async resume(name: string, act: PauseAct): Promise<PauseAnswer | null> {
    const answer = await this.#change(name, 'destination.resumed', act, resumed);
    if (answer?.ok && answer.pause.paused === 0) this.onResumed(name);
    return answer;
  }

  async #change(
    name: string,
    action: string,
    act: PauseAct,
    decide: (before: Pause) => Pause,
  ): Promise<PauseAnswer | null> {
    const destination = this.site.destinations.find((d) => d.name === name);
    if (destination === undefined) return null;
    return await this.database.transact((trx) =>
      this.#write(trx, destination, { action, ...act }, decide),
    );
  }

  async #write(
    trx: Trx,
    { name, timing }: Destination,
    { digest, ...act }: PauseAct & { readonly action: string },
    decide: (before: Pause) => Pause,
  ): Promise<PauseAnswer> {
    const { site, timeZone: zone } = this.site;
    const now = this.clock.now();
    const before = pauseOf(await lockDestination(trx, site, name, timing.ratePerSecond, now));
    if (digest !== null && digest !== pauseDigest(before)) return { ok: false, pause: before };
    const after = decide(before);
    await setPause(trx, { site, name }, after);
    await recordAudit(trx, {
      site,
      zone,
      at: now,
      ...act,
      subjectKind: 'destination',
      subjectId: name,
      before,
      after,
    });
    return { ok: true, pause: after };
  }
}

const UNUSED: Omit<DestinationLoad, 'destination'> = {
  waiting: 0,
  inFlight: 0,
  parked: 0,
  rejected: 0,
  openStops: 0,
};

function shown(
  { name, title, acts, timing }: Destination,
  row: DestinationRow | undefined,
  load: DestinationLoad | undefined,
  now: Instant,
): ShownDestination {
  const { ratePerSecond, inFlightMax } = timing;
  const { destination: _name, ...counts } = load ?? { destination: name, ...UNUSED };
  const tokens =
    row === undefined
      ? Math.max(1, ratePerSecond)
      : refilledTokens(row.tokens, row.tokens_at, ratePerSecond, now);
  return {
    name,
    title,
    acts,
    paused: row?.paused === 1,
    pauseReason: row?.pause_reason ?? null,
    pauseKept: row?.pause_kept ?? null,
    pauseDigest: pauseDigest(row === undefined ? OPEN : pauseOf(row)),
    breaker: row === undefined ? 'closed' : breakerAt(breakerOf(row), now),
    breakerUntil: row?.breaker_until ? formatInstant(row.breaker_until) : null,
    tokens: Math.round(tokens * 100) / 100,
    ratePerSecond,
    inFlightMax,
    ...counts,
  };
}
