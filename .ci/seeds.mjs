/**
 * Ten seeds of the fault harness, as CI runs them: two at a time, since most of a seed is waiting. On a crowded machine a
 * seed can fail because something had not arrived when its time was up: a seed with nothing worse than that is run once
 * more, alone, and must then pass. A double, a wrong order or a wrong release is never excused. What a seed that failed
 * left stays in .drumline/ci/seed-N.
 */
import { spawn } from 'node:child_process';
import { cpSync, rmSync } from 'node:fs';

const run = async (...options) => {
  const command = ['run', '--silent', 'test:faults', '--', ...options, '--json'];
  const child = spawn('npm', command, { stdio: ['ignore', 'pipe', 'inherit'] });
  let written = '';
  child.stdout.setEncoding('utf8').on('data', (text) => {
    written += text;
  });
  const status = await new Promise((resolve, reject) => {
    child.once('error', reject);
    child.once('close', resolve);
  });
  const last = written.trimEnd().split('\n').at(-1) ?? '';
  console.log(last);
  return { isFine: status === 0, last };
};

/** Seeds to run once more; null where something is not excused, or the harness itself failed. */
const excused = ({ isFine, last }) => {
  if (isFine) return [];
  const { double, outOfOrder, wrongRelease, failures } = JSON.parse(last);
  const worse = Object.values(double).reduce((sum, n) => sum + n, outOfOrder + wrongRelease);
  return worse > 0 || failures.length === 0 ? null : failures;
};

const halves = await Promise.all([run('--seeds', '5'), run('--seeds', '5', '--from', '6')]);
const again = halves.map(excused);
if (again.includes(null)) process.exit(1);
for (const seed of again.flat()) {
  console.log(`seed ${seed} once more: what it lacked may have been under way`);
  const kept = `.drumline/ci/seed-${seed}`;
  rmSync(kept, { recursive: true, force: true });
  cpSync(`.drumline/faults/${seed}`, kept, { recursive: true });
  if (!(await run('--seed', String(seed))).isFine) process.exit(1);
}
