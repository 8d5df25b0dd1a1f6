import { setImmediate as nextTurn, setTimeout as rest } from 'node:timers/promises';
import { type Instant, msBetween } from '../formats/instant.js';
import type { Destination } from '../site/site-folder.js';
import { dialectOf } from '../storage/dialect.js';
import type { DestinationRow } from '../storage/tables.js';
import { Asking } from './asking.service.js';
import { BUILD_MAX, Building } from './building.service.js';
import { hasOpenStop, nextDueAt, nextStopDueAt } from './claim.store.js';
import { STOPS_MAX } from './claim-policy.js';
import { type DeliveryOptions, DeliveryParts } from './delivery-parts.service.js';
import { readDestination } from './destination.store.js';
import { Looking } from './looking.service.js';
import { NewStops } from './new-stops.service.js';
import { Recovery } from './recovery.service.js';
import { Sending } from './sending.service.js';
import { countedInAll, WorkGroup, type WorkKind } from './work-group.js';

export interface Worked {
  /** Builds, sends and read-backs started. */
  readonly worked: number;
  /** When more is known to become due; null when nothing is. */
  readonly nextDueAt: Instant | null;
}

/** While something is still being built for a destination, its read-backs wait for it, and no longer than this. */
const ASK_PATIENCE_MS = 5_000;

function askPatience(group: WorkGroup): number {
  return group.running('build') > 0 ? ASK_PATIENCE_MS : 0;
}

/** Says while work runs that more may have become due, so that it never waits behind a slow answer. */
export interface MoreWork {
  next(): Promise<void>;
}

/**
 * Runs what a claim takes as soon as it is taken: a claim beside it may wait long for a lock, and what is sent has its
 * deadline from its own claim on. Returns how many there were.
 */
async function runs<Taken>(
  group: WorkGroup,
  kind: WorkKind,
  taken: Promise<readonly Taken[]>,
  run: (taken: Taken) => Promise<void>,
): Promise<number> {
  const all = await taken;
  for (const each of all) group.add(kind, run(each));
  return all.length;
}

/** What runs ends sooner than this as a rule: only behind it is it asked what comes due meanwhile. */
const SOON_MS = 50;
/** No timer is set for longer, whatever a clock says: then it is looked again. */
const WAIT_MS_MAX = 60_000;

/**
 * How many claims that are made side by side have started. What one took is started also when another one failed: it
 * stands as taken, and nobody else would end it.
 */
async function startedBy(claims: readonly Promise<number>[]): Promise<number> {
  return countedInAll(await Promise.allSettled(claims));
}

/** True when it is told within a time. */
async function within(told: Promise<void>, ms: number): Promise<boolean> {
  const over = new AbortController();
  const late = rest(ms, false, { signal: over.signal });
  late.catch(() => undefined);
  try {
    return await Promise.race([told.then(() => true), late]);
  } finally {
    over.abort();
  }
}

interface HowToWork {
  /** A look rests as long as it took, and so long at most. */
  readonly restMsMax?: number;
  /** When something fails, the rest ends by itself and nobody waits for it. */
  readonly leavesOnFailure?: boolean;
  /** When more becomes due than was due at the last look; asked while something runs. */
  readonly nextDueAt: () => Promise<Instant | null>;
}

/**
 * Where several processes share the database, each look is some ten statements that find what became due since the
 * last one: under load it rests as long as it took, so that it finds several. Whoever has the database alone is told
 * by its own commits.
 */
const REST_MS_MAX = 25;

const NOTHING: Worked = { worked: 0, nextDueAt: null };
const NO_MORE: MoreWork = { next: () => new Promise(() => undefined) };

/**
 * Delivery of one site: builds, sends and reads back what its outbox says is due. It holds no state that is
 * not in the database; a doorbell only saves waiting.
 */
export class DeliveryService {
  /** Asks destinations without writing anything. */
  readonly looking: Looking;
  readonly #parts: DeliveryParts;
  readonly #building: Building;
  readonly #sending: Sending;
  readonly #asking: Asking;
  readonly #recovery: Recovery;
  /** On connections of their own, so that a stop never waits until something else gives one back. */
  readonly #stops: {
    readonly parts: DeliveryParts;
    readonly fresh: NewStops;
    readonly sending: Sending;
    readonly asking: Asking;
  };
  #isStopping = false;
  /** Set when work ended in an error: what it was doing may stand as sending with nobody sending it. */
  #mustRecover = false;

  constructor(options: DeliveryOptions) {
    this.#parts = new DeliveryParts(options);
    this.looking = new Looking(this.#parts);
    this.#building = new Building(this.#parts);
    this.#sending = new Sending(this.#parts);
    this.#asking = new Asking(this.#parts);
    this.#recovery = new Recovery(this.#parts);
    const parts = this.#parts.reserved();
    const sending = new Sending(parts);
    const fresh = new NewStops(parts, new Building(parts), sending);
    this.#stops = { parts, fresh, sending, asking: new Asking(parts) };
  }

  /** Builds payloads that are due, stops aside; returns how many were taken. */
  async buildDue(destination: string): Promise<number> {
    return await this.#building.buildDue(this.#parts.destination(destination));
  }

  /**
   * Builds, sends and reads back at one destination until nothing more can be started now. A slow answer
   * holds only its own place. One call a destination at a time.
   */
  async workOnce(destination: string, more: MoreWork = NO_MORE): Promise<Worked> {
    const to = this.#parts.destination(destination);
    const { inFlightMax } = to.timing;
    const { stopsFirst, clock } = this.#parts.options;
    let lookedAt = clock.now();
    const worked = await this.#work(
      more,
      async (group) => {
        await stopsFirst.whenNone();
        lookedAt = clock.now();
        const room = {
          builds: BUILD_MAX - group.running('build'),
          sends: inFlightMax - group.running('send'),
          asks: inFlightMax - group.running('ask'),
        };
        return await startedBy([
          runs(group, 'build', this.#building.claim(to, room.builds), (row) =>
            this.#building.build(to, row),
          ),
          this.#sending.claim(to, room.sends, (claim) =>
            group.add('send', this.#sending.deliver(to, claim)),
          ),
          runs(group, 'ask', this.#asking.claim(to, false, room.asks, askPatience(group)), (ask) =>
            this.#asking.ask(to, ask),
          ),
        ]);
      },
      {
        restMsMax: dialectOf(this.#parts.options.database.db).isShared ? REST_MS_MAX : 0,
        nextDueAt: () => this.#nextDueAt(to, lookedAt, (row) => this.#sending.opensAt(to, row)),
      },
    );
    const next = await this.#nextDueAt(to, lookedAt, (row) => this.#sending.leavesAgainAt(to, row));
    return { worked, nextDueAt: next };
  }

  /** The slot reserved for stops: whatever else waits at the destination, they go out and are read back. */
  async workStops(destination: string, more: MoreWork = NO_MORE): Promise<Worked> {
    const to = this.#parts.destination(destination);
    const { parts, fresh, sending, asking } = this.#stops;
    const { database, site, clock } = parts.options;
    // The usual answer, and this is asked with every sweep.
    if (!(await hasOpenStop(database.db, site.site, to.name))) return NOTHING;
    const { stopsFirst } = parts.options;
    let lookedAt = clock.now();
    const start = (group: WorkGroup) => {
      lookedAt = clock.now();
      return startedBy([
        runs(group, 'send', fresh.look(to), (row) => fresh.deliver(to, row)),
        runs(group, 'send', sending.claimStops(to), (claim) => sending.deliver(to, claim)),
        runs(group, 'ask', asking.claim(to, true, STOPS_MAX - group.running('ask')), (ask) =>
          asking.ask(to, ask),
        ),
      ]);
    };
    // A request that its destination does not answer keeps its own place until its deadline, and no new stop waits for it.
    const next = async () =>
      earliest(
        await nextStopDueAt(database.db, site.site, to.name, lookedAt),
        await sending.stopsLeaveAgainAt(to),
      );
    const how = { leavesOnFailure: true, nextDueAt: next };
    const worked = await stopsFirst.run(() => this.#work(more, start, how));
    return { worked, nextDueAt: await next() };
  }

  /**
   * Before the first work of a process, and every few seconds after that: deliveries that stand as being built
   * or sent by a worker that is gone are taken up. An interrupted send is resent under its key where the
   * destination honours it, asked about where it can be asked, and otherwise parked. Returns how many there
   * were, with those that waited for what does not come (`moveUnmoved`). What this process itself lost by a failed
   * write it takes up by itself. Waits that a clock which went back made longer than any may be end here too, and count
   * as one.
   */
  async recover(now: Instant): Promise<number> {
    // By a site folder that is not in force it would ask, send again or park what another process knows better.
    if (!this.#parts.options.worker.mayStart) return 0;
    const hasEnded = await this.#recovery.endOverlongWaits(now);
    const moved = await this.#recovery.moveUnmoved(now);
    return (await this.#recovery.recover(now)) + moved + (hasEnded ? 1 : 0);
  }

  /** Starts nothing more; what runs ends by its own deadline. */
  stopTaking(): void {
    this.#isStopping = true;
  }

  /** Closes every connection. Call it when no work runs. */
  async close(): Promise<void> {
    this.stopTaking();
    await this.#parts.close();
  }

  async #work(
    more: MoreWork,
    start: (group: WorkGroup) => Promise<number>,
    how: HowToWork,
  ): Promise<number> {
    try {
      if (this.#mustRecover) {
        // Before it is looked at: what fails meanwhile is not among what is taken up here.
        this.#mustRecover = false;
        await this.#recovery.recoverOwn(this.#parts.options.clock.now());
      }
      return await this.#workThrough(start, more, how);
    } catch (error) {
      this.#mustRecover = true;
      throw error;
    }
  }

  async #workThrough(
    start: (group: WorkGroup) => Promise<number>,
    more: MoreWork,
    { restMsMax = 0, leavesOnFailure = false, nextDueAt }: HowToWork,
  ): Promise<number> {
    const group = new WorkGroup();
    let worked = 0;
    let isThrough = false;
    try {
      while (!this.#isStopping && !group.hasFailed) {
        group.look();
        const lookedAt = performance.now();
        const started = await start(group);
        const restMs = Math.min(restMsMax, performance.now() - lookedAt);
        worked += started;
        if (started === 0 && !group.hasEndedSinceLook) {
          if (group.size === 0) break;
          await this.#whenMore(Promise.race([group.next(), more.next()]), nextDueAt);
          // What ended with it in one commit is seen by the same look.
          await nextTurn();
        }
        if (restMs > 0) await rest(restMs);
      }
      isThrough = !group.hasFailed;
    } finally {
      const ended = group.end();
      if (isThrough || !leavesOnFailure) await ended;
      // What of it fails later is looked for as lost then, like what has failed already.
      else
        ended.catch(() => {
          this.#mustRecover = true;
        });
    }
    group.throwFailure();
    return worked;
  }

  /** Waits until it is told, and no longer than until more becomes due: a slow answer holds only its own place. */
  async #whenMore(told: Promise<void>, nextDueAt: () => Promise<Instant | null>): Promise<void> {
    if (await within(told, SOON_MS)) return;
    // What cannot be asked now is no failure of what runs: the next ring looks again.
    const at = await nextDueAt().catch(() => null);
    if (at === null) {
      await told;
      return;
    }
    const waitMs = Math.ceil(msBetween(this.#parts.options.clock.now(), at));
    await within(told, Math.min(WAIT_MS_MAX, Math.max(1, waitMs)));
  }

  /**
   * @param lookedAt what became due since then was seen by nobody, and is next
   * @param leavesAt when something that is due already may leave
   */
  async #nextDueAt(
    destination: Destination,
    lookedAt: Instant,
    leavesAt: (row: DestinationRow | null) => Promise<Instant | null> | Instant | null,
  ): Promise<Instant | null> {
    const { database, site } = this.#parts.options;
    const due = await nextDueAt(database.db, site.site, destination.name, lookedAt);
    const row = await readDestination(database.db, site.site, destination.name);
    return earliest(due, await leavesAt(row));
  }
}

function earliest(a: Instant | null, b: Instant | null): Instant | null {
  return a === null || b === null ? (a ?? b) : (Math.min(a, b) as Instant);
}
