import { fdatasyncSync } from 'node:fs';
import { Worker } from 'node:worker_threads';
import { workerFile } from '../queue/worker-file.files.js';

interface Flushing {
  readonly resolve: () => void;
  readonly reject: (error: Error) => void;
}

/**
 * Flushes one open file in a thread of its own. Not in the threads that Node lends to everybody: a share that hangs
 * would keep them all, and with them every answer of the service.
 */
export class FlushThread {
  readonly #worker: Worker;
  #isUp = false;
  #flushing: Flushing | null = null;

  constructor(private readonly file: number) {
    this.#worker = new Worker(workerFile(import.meta.url, './flush.worker.js'), {
      workerData: file,
    });
    this.#worker.unref();
    this.#worker.on('online', () => {
      this.#isUp = true;
    });
    this.#worker.on('message', (fault: string | null) => this.#end(fault));
    this.#worker.on('error', () => this.#lost());
    this.#worker.on('exit', () => this.#lost());
  }

  /** False before it has started, and after it died. */
  get isUp(): boolean {
    return this.#isUp;
  }

  /** One at a time. */
  flush(): Promise<void> {
    return new Promise((resolve, reject) => {
      this.#flushing = { resolve, reject };
      this.#worker.ref();
      this.#worker.postMessage(null);
    });
  }

  async stop(): Promise<void> {
    await this.#worker.terminate();
  }

  #end(fault: string | null): void {
    const flushing = this.#flushing;
    this.#flushing = null;
    this.#worker.unref();
    if (fault === null) flushing?.resolve();
    else flushing?.reject(new Error(fault));
  }

  /** What it was asked for is done here. */
  #lost(): void {
    this.#isUp = false;
    if (this.#flushing === null) return;
    try {
      fdatasyncSync(this.file);
      this.#end(null);
    } catch (error) {
      this.#end(error instanceof Error ? error.message : String(error));
    }
  }
}
