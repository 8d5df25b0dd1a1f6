import { once } from 'node:events';
import { startBare } from '../queue/bare-process.endpoint.js';
import { workerFile } from '../queue/worker-file.files.js';
import { UnitDied } from './examine.pool.js';
import type { ChildTask, ChildWord } from './examine-child-task.js';
import type { ExaminedUnit } from './examined-unit.js';

/** What waits for the process's next word. */
interface Waiting {
  readonly hear: (word: ChildWord) => void;
  readonly fail: (cause: Error) => void;
}

/** The gateway's side of one process that examines bundles one at a time. */
export class ExamineProcess {
  readonly #process = startBare(workerFile(import.meta.url, './examine.process.js'));
  #waiting: Waiting | null = null;
  #isUp = false;
  #isEnding = false;

  constructor() {
    const { child } = this.#process;
    child.on('message', (word: ChildWord) => this.#waiting?.hear(word));
    child.on('error', (error) => this.#waiting?.fail(error));
    child.on('exit', (code, signal) =>
      this.#waiting?.fail(this.#gone(`ended (${signal ?? code})`)),
    );
  }

  get isAlive(): boolean {
    return this.#process.child.connected;
  }

  /**
   * @param deadlineMs for the process to come up, and then for the unit
   * @throws UnitDied when the process ended, or ran out of time, after it was given the unit
   */
  async examine(given: ChildTask, deadlineMs: number): Promise<ExaminedUnit> {
    if (!this.#isUp) await this.#next(deadlineMs);
    this.#isUp = true;
    let word: ChildWord;
    try {
      const answer = this.#next(deadlineMs);
      // A channel that is gone has an exit behind it, which says more.
      this.#process.child.send(given, () => undefined);
      word = await answer;
    } catch (error) {
      throw this.#isEnding ? error : new UnitDied(error);
    }
    if (word.kind === 'unit') return word.unit;
    if (word.kind === 'died') throw new UnitDied(new Error('its thread ended'));
    throw new Error(
      `the process for one bundle failed: ${word.kind === 'fault' ? word.message : word.kind}`,
    );
  }

  /** Ends it; what it was examining fails, and is not to blame. */
  async end(): Promise<void> {
    this.#isEnding = true;
    const { child } = this.#process;
    if (child.exitCode !== null || child.signalCode !== null || child.pid === undefined) return;
    const gone = once(child, 'exit');
    child.kill('SIGKILL');
    await gone;
  }

  async #next(deadlineMs: number): Promise<ChildWord> {
    let timer: NodeJS.Timeout | undefined;
    try {
      return await new Promise((hear, fail) => {
        this.#waiting = { hear, fail };
        // After a pause of this process the word may be there already: it is read before this counts.
        const late = () =>
          setImmediate(() => fail(this.#gone(`said nothing for ${deadlineMs} ms`)));
        timer = setTimeout(late, deadlineMs);
      });
    } finally {
      clearTimeout(timer);
      this.#waiting = null;
    }
  }

  #gone(how: string): Error {
    const lastWords = this.#process.lastWords();
    const said = lastWords === '' ? '' : `: ${lastWords}`;
    return new Error(`the process for one bundle ${how}${said}`);
  }
}
