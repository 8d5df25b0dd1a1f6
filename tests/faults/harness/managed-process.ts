import { type ChildProcess, spawn } from 'node:child_process';
import { once } from 'node:events';
import { closeSync, openSync, writeSync } from 'node:fs';
import { createInterface } from 'node:readline';
import { setTimeout as wait } from 'node:timers/promises';
import type { StepName } from './schedule.js';

export interface ProcessSetup {
  readonly name: string;
  readonly args: readonly string[];
  readonly environment: NodeJS.ProcessEnv;
  /** Value of `event` in the JSON line that says it is ready. */
  readonly readyEvent: string;
  readonly logFile: string;
  /** Gets messages of the kill preload. */
  readonly hasChannel: boolean;
}

const RESTART_MS = 200;
/** From spawning to being ready; a start may have to wait for a database that is away. */
const READY_MS_MAX = 120_000;

/** A process that is started again whenever it ends, as a service manager does, and that may be hurt. */
export class ManagedProcess {
  /** Ends that nobody here caused, after it had said that it was ready. */
  readonly problems: string[] = [];
  /** Steps it was killed at. */
  readonly killedAt: StepName[] = [];
  #child: ChildProcess | null = null;
  #isStopping = false;
  #isReady = false;
  #isPaused = false;
  #armed: StepName | null = null;
  #expectsEnd = false;
  #starts = 0;
  #awayMs = RESTART_MS;
  readonly #log: number;

  constructor(readonly setup: ProcessSetup) {
    this.#log = openSync(setup.logFile, 'a');
  }

  get isReady(): boolean {
    return this.#isReady;
  }

  /** Resolves once it is ready. */
  async start(): Promise<void> {
    this.#spawn();
    await this.#untilReadyAfter(0);
  }

  /** It dies the nth time it reaches a step from now on. */
  arm(step: StepName, nth: number): boolean {
    if (!this.#isReady || this.#armed !== null || !this.#child?.connected) return false;
    this.#armed = step;
    this.#child.send({ killAt: step, nth });
    return true;
  }

  /** It may still die there until it has said that it heard: one that is stopped, or busy, hears it late. */
  disarm(): void {
    if (this.#child?.connected) this.#child.send({ killAt: null });
  }

  /** Ends it at once; it is up again after a while. */
  async restart(awayMs: number): Promise<void> {
    this.#awayMs = awayMs;
    const before = this.#starts;
    this.#expectsEnd = true;
    this.#child?.kill('SIGKILL');
    await this.#untilReadyAfter(before);
  }

  pause(): void {
    this.#isPaused = true;
    this.#child?.kill('SIGSTOP');
  }

  /** False when it is not the process any more that was paused. */
  resume(): boolean {
    if (!this.#isPaused) return false;
    this.#isPaused = false;
    return this.#child?.kill('SIGCONT') ?? false;
  }

  async stop(): Promise<void> {
    this.#isStopping = true;
    const child = this.#child;
    if (child && child.exitCode === null && child.signalCode === null) {
      const ended = once(child, 'exit');
      child.kill('SIGKILL');
      await ended;
    }
    closeSync(this.#log);
  }

  async #untilReadyAfter(starts: number): Promise<void> {
    const end = performance.now() + READY_MS_MAX;
    while (!this.#isReady || this.#starts === starts) {
      if (performance.now() > end) throw new Error(`${this.setup.name} was not ready in time`);
      await wait(20);
    }
  }

  #spawn(): void {
    this.#starts += 1;
    this.#isReady = false;
    this.#expectsEnd = false;
    this.#note('started');
    const child = spawn(process.execPath, this.setup.args, {
      env: this.setup.environment,
      stdio: ['ignore', 'pipe', this.#log, ...(this.setup.hasChannel ? (['ipc'] as const) : [])],
    });
    this.#child = child;
    child.on('error', (error) => this.#note(String(error)));
    child.on('message', (said) => {
      if (said === 'disarmed' && this.#child === child) this.#armed = null;
    });
    if (child.stdout) {
      createInterface({ input: child.stdout }).on('line', (line) => this.#read(line));
    }
    child.once('exit', (code, signal) => this.#ended(code, signal));
  }

  #read(line: string): void {
    this.#note(line);
    try {
      const said = JSON.parse(line) as Record<string, unknown>;
      if (said['event'] !== this.setup.readyEvent) return;
      this.#isReady = true;
    } catch {
      // A line for people.
    }
  }

  #ended(code: number | null, signal: NodeJS.Signals | null): void {
    if (this.#isStopping) return;
    this.#note(`ended: ${String(signal ?? code)}${this.#armed ? `, armed at ${this.#armed}` : ''}`);
    if (signal === 'SIGKILL' && this.#armed !== null) {
      this.killedAt.push(this.#armed);
    } else if (this.#isReady && !this.#expectsEnd) {
      this.problems.push(`${this.setup.name} ended by itself (${String(signal ?? code)})`);
    }
    this.#armed = null;
    this.#isPaused = false;
    this.#isReady = false;
    setTimeout(() => {
      if (!this.#isStopping) this.#spawn();
    }, this.#awayMs);
    this.#awayMs = RESTART_MS;
  }

  #note(text: string): void {
    if (this.#isStopping) return;
    writeSync(this.#log, `-- ${new Date().toISOString()} ${text}\n`);
  }
}
