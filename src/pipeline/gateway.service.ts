import { WatchedFolder } from '../intake/watched-folder.service.js';
import type { GatewayParts } from './gateway-parts.service.js';
import { tick } from './instance.store.js';
import { writeMark } from './instance-mark.files.js';
import { answerBells } from './work-loop.service.js';

/** A gateway that waits after a restore, with stops that wait too, says so this often. */
const CALL_EVERY_MS = 60_000;

/** A wired gateway: it answers as it is, and works once told to. */
export class Gateway {
  #watched: WatchedFolder | null = null;
  #callAgainAt = Number.NEGATIVE_INFINITY;

  constructor(readonly parts: GatewayParts) {}

  /** Takes up what processes that are gone left, then works, and goes on looking for such. */
  async work(): Promise<void> {
    const { site, clock, log, worker, deliveries, recovery, sweeps } = this.parts;
    await worker.begin();
    await deliveries.recover(clock.now());
    await recovery.requestSweeps(sweeps);
    answerBells(this.parts);
    worker.keepBeating(async () => {
      await this.#remember();
      if ((await deliveries.recover(clock.now())) > 0) this.#ringDeliveries();
    });
    log.info({ event: 'gateway.working', worker: worker.id, site: site.site });
  }

  /** What a copy of an older state would lack; and calls somebody while a restored gateway waits. */
  async #remember(): Promise<void> {
    const { settings, database, recovery, sweeps, log } = this.parts;
    writeMark(settings.dataDirectory, await tick(database));
    if (!(await recovery.isRecovering()) || performance.now() < this.#callAgainAt) return;
    this.#callAgainAt = performance.now() + CALL_EVERY_MS;
    const state = await recovery.state(sweeps);
    log.error({ event: 'gateway.waits-after-restore', ...state });
  }

  #ringDeliveries(): void {
    const { site, queue } = this.parts;
    for (const { name } of site.destinations) {
      queue.ring(`stops:${name}`);
      queue.ring(`deliveries:${name}`);
    }
  }

  /** Takes bundles from the watched folder, if there is one. */
  async watch(): Promise<void> {
    const { settings, site, database, log, intake } = this.parts;
    if (settings.watchDirectory === null) return;
    const { bundleBytesMax: bytesMax } = site.limits;
    const options = { directory: settings.watchDirectory, site: site.site, bytesMax };
    this.#watched = new WatchedFolder(options, intake, database.db, log);
    await this.#watched.start();
  }

  /** Stops taking work, lets what runs end, and closes everything. */
  async close(): Promise<void> {
    const { deliveries, sweeps, queue, database, worker, pools } = this.parts;
    await this.#watched?.stop();
    deliveries.stopTaking();
    sweeps.stopTaking();
    await queue.drain();
    await worker.end();
    await deliveries.close();
    for (const pool of pools) await pool.close();
    await database.close();
  }
}
