import { WatchedFolder } from '../intake/watched-folder.service.js';
import type { GatewayParts } from './gateway-parts.service.js';
import { answerBells } from './work-loop.service.js';
import { registerWorker, retireWorker } from './worker.store.js';

/** A wired gateway: it answers as it is, and works once told to. */
export class Gateway {
  #isWorking = false;
  #watched: WatchedFolder | null = null;

  constructor(readonly parts: GatewayParts) {}

  /** Takes up what a process before this one left, then works and takes bundles from the watched folder. */
  async work(): Promise<void> {
    const { settings, site, database, clock, log, workerId, deliveries, intake } = this.parts;
    this.#isWorking = true;
    await database.transact((trx) => registerWorker(trx, workerId, clock.now()));
    await deliveries.recover(clock.now());
    answerBells(this.parts);
    if (settings.watchDirectory !== null) {
      this.#watched = new WatchedFolder(
        {
          directory: settings.watchDirectory,
          site: site.site,
          bytesMax: site.limits.bundleBytesMax,
        },
        intake,
        database.db,
        log,
      );
      await this.#watched.start();
    }
    log.info({ event: 'gateway.working', worker: workerId, site: site.site });
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
