import type { SiteFolder } from '../site/site-folder.js';
import { EXAMINE_DEADLINE_MS } from './examine.pool.js';
import { ExamineProcess } from './examine-process.endpoint.js';
import type { ExaminedUnit, ExamineTask } from './examined-unit.js';

/** The thread's own deadline ends first; this one is for a process that cannot even tell. */
const SPARE_MS = 10_000;
/** Suspects come several in a row: the process stays for the next one, and no longer. */
const IDLE_MS_MAX = 2_000;

/**
 * Examines bundles that may have ended a process, one at a time in a process of its own with nothing else in it: what ends
 * that one was this bundle, whatever the gateway does meanwhile and however it ends.
 */
export class ExamineChild {
  readonly #running = new Set<ExamineProcess>();
  #idle: { readonly process: ExamineProcess; readonly timer: NodeJS.Timeout } | null = null;

  /** @param deadlineMs for the process to come up, and then for its unit */
  constructor(private readonly deadlineMs = EXAMINE_DEADLINE_MS + SPARE_MS) {}

  /**
   * @param site that the bundle is judged by, with the methods in force
   * @throws UnitDied when the process ended, or ran out of time, after it was given the unit. Any other error, such as a
   *   process that does not come up, is none of the unit's.
   */
  async examine(task: ExamineTask, site: SiteFolder): Promise<ExaminedUnit> {
    const process = this.#takeIdle() ?? new ExamineProcess();
    this.#running.add(process);
    let unit: ExaminedUnit;
    try {
      unit = await process.examine({ task, site }, this.deadlineMs);
    } catch (error) {
      await process.end();
      throw error;
    } finally {
      this.#running.delete(process);
    }
    await this.#keep(process);
    return unit;
  }

  /** Ends what runs; what is examined then fails by no fault of its own. */
  async close(): Promise<void> {
    const idle = this.#takeIdle();
    const all = idle === null ? [...this.#running] : [...this.#running, idle];
    await Promise.all(all.map((process) => process.end()));
  }

  #takeIdle(): ExamineProcess | null {
    if (this.#idle === null) return null;
    const { process, timer } = this.#idle;
    clearTimeout(timer);
    this.#idle = null;
    return process.isAlive ? process : null;
  }

  async #keep(process: ExamineProcess): Promise<void> {
    await this.#takeIdle()?.end();
    const timer = setTimeout(() => void this.#takeIdle()?.end(), IDLE_MS_MAX);
    // It ends with this one anyway.
    timer.unref();
    this.#idle = { process, timer };
  }
}
