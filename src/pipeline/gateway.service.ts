import { WatchedFolder } from '../intake/watched-folder.service.js';
import type { GatewayParts } from './gateway-parts.service.js';
import { answerBells } from './work-loop.service.js';

/** A wired gateway: it answers as it is, and works once told to. */
export class Gateway {
  #watched: WatchedFolder | null = null;

  constructor(readonly parts: GatewayParts) {}

  /** Takes up what processes that are gone left, then works, and goes on looking for such. */
  async work(): Promise<void> {
    const { site, clock, log, worker, deliveries } = this.parts;
    await worker.begin();
    await deliveries.recover(clock.now());
    answerBells(this.parts);
    worker.keepBeating(async () => {
      if ((await deliveries.recover(clock.now())) > 0) this.#ringDeliveries();
    });
    log.info({ event: 'gateway.working', worker: worker.id, site: site.site });
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
