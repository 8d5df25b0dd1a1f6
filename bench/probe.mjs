// Preloaded into a process that is measured (`node --expose-gc --import`). For every SIGUSR2 it writes one JSON
// line to BENCH_PROBE_FILE: how long its event loop was held up since the last one, and its memory after a
// garbage collection, once what was freed by it is given back: a thread of V8 does that, some time afterwards.
import { appendFileSync } from 'node:fs';
import { monitorEventLoopDelay } from 'node:perf_hooks';
import { isMainThread } from 'node:worker_threads';

const RESOLUTION_MS = 5;
const GIVEN_BACK_MS = 1_000;
const file = process.env.BENCH_PROBE_FILE;

// A child of the measured process has the same options and no file of its own to write.
if (isMainThread && file) {
  delete process.env.BENCH_PROBE_FILE;
  const delay = monitorEventLoopDelay({ resolution: RESOLUTION_MS });
  delay.enable();
  // What the histogram holds is from tick to tick; the tick's own time is no delay.
  const delayMs = (percent) => Math.max(0, delay.percentile(percent) / 1e6 - RESOLUTION_MS);
  process.on('SIGUSR2', () => {
    const delays = { p50: delayMs(50), p99: delayMs(99), max: delayMs(100) };
    globalThis.gc?.();
    const { heapUsed, external } = process.memoryUsage();
    setTimeout(() => {
      const { rss } = process.memoryUsage();
      // Nor is the collection, or the wait behind it, part of what is measured next.
      delay.reset();
      appendFileSync(file, `${JSON.stringify({ ...delays, rss, heapUsed, external })}\n`);
    }, GIVEN_BACK_MS).unref();
  });
}
