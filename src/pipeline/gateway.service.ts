import { WatchedFolder } from '../intake/watched-folder.service.js';
import type { GatewayParts } from './gateway-parts.service.js';
import { answerBells } from './work-loop.service.js';
import { registerWorker, retireWorker } from './worker.store.js';

/** A wired gateway: it answers as it is, and works once told to. */
export class Gateway {
  #isWorking = false;
  #watched: WatchedFolder | null = null;

  constructor(readonly parts: GatewayParts) {}

  /** Takes up what a process before this one left, then works. */
  async work(): Promise<void> {
    const { site, database, clock, log, workerId, deliveries } = this.parts;
    this.#isWorking = true;
    await database.transact((trx) => registerWorker(trx, workerId, clock.now()));
    await deliveries.recover(clock.now());
    answerBells(this.parts);
    log.info({ event: 'gateway.working', worker: workerId, site: site.site });
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
    const { deliveries, queue, database, workerId, clock, pools } = this.parts;
    await this.#watched?.stop();
    deliveries.stopTaking();
    await queue.drain();
    if (this.#isWorking) {
      await database.transact((trx) => retireWorker(trx, workerId, clock.now()));
    }
    await deliveries.close();
    for (const pool of pools) await pool.close();
    await database.close();
  }
}
