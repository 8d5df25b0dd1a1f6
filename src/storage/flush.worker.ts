import { fdatasyncSync } from 'node:fs';
import { parentPort, workerData } from 'node:worker_threads';

/** Number of a file that the process has open. */
const file = workerData as number;

/** Flushes the file each time it is asked to; null when it did, else what the operating system said. */
parentPort?.on('message', () => {
  try {
    fdatasyncSync(file);
    parentPort?.postMessage(null);
  } catch (error) {
    parentPort?.postMessage(error instanceof Error ? error.message : String(error));
  }
});
