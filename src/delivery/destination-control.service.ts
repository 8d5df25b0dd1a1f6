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
import { type Pause, pausedBy, pauseOf, resumed } from './pause.js';
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

  /** The pause after it; null when the site has no destination of this name. */
  pause(name: string, reason: string, actor: Actor): Promise<Pause | null> {
    return this.#change(name, 'destination.paused', reason, actor, (before) =>
      pausedBy(before, reason),
    );
  }

  /** As `pause`. The pause after a restore stays, see `drumline resume`. */
  async resume(name: string, reason: string, actor: Actor): Promise<Pause | null> {
    const after = await this.#change(name, 'destination.resumed', reason, actor, resumed);
    if (after?.paused === 0) this.onResumed(name);
    return after;
  }

  async #change(
    name: string,
    action: string,
    reason: string,
    actor: Actor,
    decide: (before: Pause) => Pause,
  ): Promise<Pause | null> {
    const destination = this.site.destinations.find((d) => d.name === name);
    if (destination === undefined) return null;
    return await this.database.transact((trx) =>
      this.#write(trx, destination, { action, reason, actor }, decide),
    );
  }

  async #write(
    trx: Trx,
    { name, timing }: Destination,
    act: { readonly action: string; readonly reason: string; readonly actor: Actor },
    decide: (before: Pause) => Pause,
  ): Promise<Pause> {
    const { site, timeZone: zone } = this.site;
    const now = this.clock.now();
    const before = pauseOf(await lockDestination(trx, site, name, timing.ratePerSecond, now));
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
    return after;
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
    breaker: row === undefined ? 'closed' : breakerAt(breakerOf(row), now),
    breakerUntil: row?.breaker_until ? formatInstant(row.breaker_until) : null,
    tokens: Math.round(tokens * 100) / 100,
    ratePerSecond,
    inFlightMax,
    ...counts,
  };
}
