/**
 * npm run fuzz -- [--runs N] [--seed S] [--only RUN] [--json]
 *
 * Breaks files of every form that is read from outside, seeded and replayable, and decodes them in a thread with a
 * deadline. The last line of stdout is {"runs", "crashes", "hangs", "unexplained"}; exit 1 when one of the last three
 * is not 0. A crash is an exception that no reader should throw or a thread that died, a hang a decode past the
 * deadline, and unexplained a refusal without place or message. `--only RUN` repeats one run and says more.
 */
import { parseArgs } from 'node:util';
import { Worker } from 'node:worker_threads';
import { seedFiles } from './seeds.mjs';

const DEADLINE_MS = 5_000;
const HEAP_MB = 512;
const SHOWN_MAX = 10;

const { values } = parseArgs({
  options: {
    runs: { type: 'string', default: '10000' },
    seed: { type: 'string', default: '1' },
    only: { type: 'string' },
    json: { type: 'boolean', default: false },
  },
});
const count = Number(values.runs);
const seed = Number(values.seed);
if (!Number.isSafeInteger(count) || count < 1 || !Number.isSafeInteger(seed)) {
  process.stderr.write('expected whole numbers: --runs from 1, --seed\n');
  process.exit(2);
}

const seeds = await seedFiles();
const totals = { runs: 0, crashes: 0, hangs: 0, unexplained: 0 };
let refused = 0;
let shown = 0;
const first = values.only === undefined ? 0 : Number(values.only);
const end = values.only === undefined ? count : first + 1;

for (let next = first; next < end; ) next = await withWorker(next, end);

const line = JSON.stringify(totals);
process.stderr.write(`seed ${seed}: ${refused} of ${totals.runs} broken files refused\n`);
process.stdout.write(
  values.json
    ? `${line}\n`
    : `${totals.runs} runs: ${totals.crashes} crashes, ${totals.hangs} hangs, ${totals.unexplained} unexplained\n${line}\n`,
);
if (totals.crashes + totals.hangs + totals.unexplained > 0) process.exitCode = 1;

/** Runs with one thread as long as it lives; gives the number of the run to go on with. */
function withWorker(from, to) {
  return new Promise((resolve) => {
    const worker = new Worker(new URL('./decode.worker.mjs', import.meta.url), {
      workerData: { seeds, seed },
      resourceLimits: { maxOldGenerationSizeMb: HEAP_MB },
    });
    let run = from;
    let timer = null;
    let isOver = false;
    const over = (next) => {
      if (isOver) return;
      isOver = true;
      clearTimeout(timer);
      void worker.terminate().then(() => resolve(next));
    };
    const ask = () => {
      if (run >= to) return over(run);
      clearTimeout(timer);
      timer = setTimeout(() => {
        totals.runs += 1;
        totals.hangs += 1;
        show(run, `no end within ${DEADLINE_MS / 1000} s`);
        over(run + 1);
      }, DEADLINE_MS);
      worker.postMessage(run);
    };
    worker.on('message', (answer) => {
      if (!answer.isReady) {
        tally(answer);
        run += 1;
      }
      ask();
    });
    worker.on('error', (error) => {
      totals.runs += 1;
      totals.crashes += 1;
      show(run, error.stack ?? String(error));
      over(run + 1);
    });
  });
}

function tally({ run, name, crash, unexplained, refused: isRefused }) {
  totals.runs += 1;
  if (isRefused) refused += 1;
  if (crash !== undefined) {
    totals.crashes += 1;
    show(run, `${name}: ${crash}`);
  } else if (unexplained.length > 0) {
    totals.unexplained += 1;
    show(run, `${name}: ${JSON.stringify(unexplained)}`);
  } else if (values.only !== undefined) {
    show(run, `${name}: ${isRefused ? 'refused' : 'read'}`);
  }
}

function show(run, what) {
  shown += 1;
  if (shown <= SHOWN_MAX) process.stderr.write(`--seed ${seed} --only ${run}: ${what}\n`);
}
