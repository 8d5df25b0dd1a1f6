import type { Destination } from '../site/site-folder.js';
import { step as reached } from '../step.js';
import type { Reader } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';
import { unbuiltStops } from './build.store.js';
import type { Building } from './building.service.js';
import { type Claim, claimNewStop } from './claim.store.js';
import { STOPS_MAX } from './claim-policy.js';
import type { DeliveryParts } from './delivery-parts.service.js';
import { readDestination } from './destination.store.js';
import type { Sending } from './sending.service.js';
import { stopsMayLeave } from './stop-policy.js';

/**
 * The short way of a stop that was just found: its payload is built before anybody claims it, and stored, claimed
 * and given its attempt row in one commit. Everything else is claimed for building, saved and claimed for sending,
 * each with a flush of its own. Workers that build the same stop side by side do so for nothing: one of them takes
 * it.
 */
export class NewStops {
  readonly #parts: DeliveryParts;
  readonly #building: Building;
  readonly #sending: Sending;
  /** Built or sent here already; until that is committed they still stand as nobody's. */
  readonly #underWay = new Set<string>();

  constructor(parts: DeliveryParts, building: Building, sending: Sending) {
    this.#parts = parts;
    this.#building = building;
    this.#sending = sending;
  }

  /** Stops that are due, have no payload, and that nobody here works on yet. */
  async look(destination: Destination): Promise<readonly DeliveryRow[]> {
    const { database, site, clock, worker } = this.#parts.options;
    if (!worker.mayStart) return [];
    const of = { site: site.site, destination: destination.name };
    // What ends while this is asked is found as it stood before, and looked for again behind its end.
    const underWay = new Set(this.#underWay);
    const found = await unbuiltStops(database.db, { ...of, now: clock.now(), limit: STOPS_MAX });
    if (found.length === 0 || !(await this.#mayLeave(database.db, destination))) return [];
    return found.filter(({ id }) => !underWay.has(id) && !this.#underWay.has(id));
  }

  /** Builds a stop, takes it, and sends it; or writes why it cannot be built. */
  async deliver(destination: Destination, row: DeliveryRow): Promise<void> {
    this.#underWay.add(row.id);
    try {
      const claim = await this.#take(destination, row);
      if (claim === null) return;
      reached('S8');
      reached('S9');
      await this.#sending.deliver(destination, claim);
    } finally {
      this.#underWay.delete(row.id);
    }
  }

  /** Null when it cannot be built, or when somebody else has taken it. */
  async #take(destination: Destination, row: DeliveryRow): Promise<Claim | null> {
    try {
      const built = await this.#building.make(row);
      if (!built.ok) {
        await this.#building.failUnclaimed(destination, row, built);
        return null;
      }
      const payload = await this.#building.stored(row, built.payload);
      const [claim] = await this.#parts.take(async (trx, worker): Promise<readonly Claim[]> => {
        if (!(await this.#mayLeave(trx, destination))) return [];
        const taken = await claimNewStop(trx, row, payload, worker, this.#parts.begins());
        return taken === null ? [] : [taken];
      });
      return claim ?? null;
    } catch (error) {
      await this.#building.postpone(destination, { ...row, state: 'due' });
      throw error;
    }
  }

  /** Only the pause after a restore holds them (rule 28). */
  async #mayLeave(reader: Reader, to: Destination): Promise<boolean> {
    const { site } = this.#parts.options.site;
    const row = await readDestination(reader, site, to.name);
    return stopsMayLeave(row);
  }
}
