import { recordAudit } from '../audit/audit.store.js';
import { WatchedFolder } from '../intake/watched-folder.service.js';
import { ringDestinations } from '../queue/work-queue.js';
import type { GatewayParts } from './gateway-parts.service.js';
import { tick } from './instance.store.js';
import { writeMark } from './instance-mark.files.js';
import { answerBells } from './work-loop.service.js';

/** A gateway that waits after a restore, with stops that wait too, says so this often. */
const CALL_EVERY_MS = 60_000;
/** What a process was started for: to take and answer, or only to work. */
export type ProcessRole = 'serve' | 'work';

/** A wired gateway: it answers as it is, and works once told to. */
export class Gateway {
  #watched: WatchedFolder | null = null;
  #callAgainAt = Number.NEGATIVE_INFINITY;
  /** What it was started for, once it was. */
  #role: ProcessRole | null = null;
  #isWorking = false;

  constructor(readonly parts: GatewayParts) {}

  /** Takes up what processes that are gone left, then works, and goes on looking for such. */
  async work(): Promise<void> {
    const { site, clock, log, queue, worker, deliveries, sealer, recovery, sweeps } = this.parts;
    await worker.begin();
    // Before what follows, which may take long: who is not heard of is given up, with what it examines by then.
    worker.keepBeating();
    await sealer.start();
    await deliveries.recover(clock.now());
    await recovery.requestSweeps(sweeps);
    answerBells(this.parts);
    worker.besideBeats(async () => {
      await this.#remember();
      ringDestinations(queue, await recovery.requestSweeps(sweeps));
      if ((await deliveries.recover(clock.now())) > 0) ringDestinations(queue, site.destinations);
    });
    this.#isWorking = true;
    log.info({ event: 'gateway.working', worker: worker.id, site: site.site });
  }

  /**
   * Only answers, while other processes work, and looks whether what it knows is still of the life and folder in force. What
   * it found is remembered as by those that work: its data folder may be the one that is kept, and that is started first.
   */
  answer(): void {
    this.parts.worker.keepLooking(this.parts.remember);
  }

  /** What a copy of an older state would lack; and calls somebody while a restored gateway waits. */
  async #remember(): Promise<void> {
    const { settings, database, recovery, sweeps, log } = this.parts;
    if (this.parts.worker.isOutlived) return;
    writeMark(settings.dataDirectory, await tick(database));
    if (!(await recovery.isRecovering()) || performance.now() < this.#callAgainAt) return;
    this.#callAgainAt = performance.now() + CALL_EVERY_MS;
    const state = await recovery.state(sweeps);
    log.error({ event: 'gateway.waits-after-restore', ...state });
  }

  /** Says in the trail that a process began to take, or to do, work; once, whatever it does besides. */
  async recordStart(role: ProcessRole): Promise<void> {
    if (this.#role !== null) return;
    this.#role = role;
    await this.#recordProcess('process.started', role);
  }

  /** A database that is away must not keep the rest open; the trail then shows a start without a stop. */
  async #recordStop(): Promise<void> {
    if (this.#role === null) return;
    try {
      await this.#recordProcess('process.stopped', this.#role);
    } catch (err) {
      this.parts.log.warn({ event: 'process.stop-not-recorded', err });
    }
  }

  async #recordProcess(action: string, role: ProcessRole): Promise<void> {
    const { database, clock, worker, site } = this.parts;
    await database.transact((trx) =>
      recordAudit(trx, {
        site: site.site,
        zone: site.timeZone,
        at: clock.now(),
        actor: { kind: 'system', name: role },
        action,
        subjectKind: 'process',
        subjectId: worker.id,
        after: { role, siteFolder: site.digest },
      }),
    );
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
    const { deliveries, sweeps, queue, database, worker, sealer, pools } = this.parts;
    await this.#watched?.stop();
    deliveries.stopTaking();
    sweeps.stopTaking();
    await queue.drain();
    await this.#recordStop();
    await (this.#isWorking ? sealer.stop() : sealer.sealLeftovers());
    await worker.end();
    await deliveries.close();
    for (const pool of pools) await pool.close();
    await database.close();
  }
}
