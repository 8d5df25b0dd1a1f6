// npm run test:faults -- […]: the fault tests of one process on SQLite (vitest), or, with --seeds, --seed or
// --kills, the harness of many processes on PostgreSQL and Redis (tests/faults/harness).
import { spawnSync } from 'node:child_process';
import { fileURLToPath } from 'node:url';
import { runnerImport } from 'vite';

const ROOT = fileURLToPath(new URL('../..', import.meta.url));
const args = process.argv.slice(2);
const isHarness = args.some((arg) => /^--(?:seeds?|kills)(?:=|$)/.test(arg));

const run = (...command) => {
  const { status } = spawnSync('npx', command, { cwd: ROOT, stdio: ['inherit', 2, 'inherit'] });
  return status ?? 1;
};

if (isHarness) {
  // The processes under test run the built code.
  const built = run('tsc', '-p', 'tsconfig.build.json');
  if (built !== 0) process.exit(built);
  const path = fileURLToPath(new URL('harness/main.ts', import.meta.url));
  const { module } = await runnerImport(path, { root: ROOT, configFile: false, logLevel: 'warn' });
  process.exit(await module.main(args));
}
const { status } = spawnSync(
  'npx',
  ['vitest', 'run', '--config', 'vitest.faults.config.ts', ...args],
  {
    cwd: ROOT,
    stdio: 'inherit',
  },
);
process.exit(status ?? 1);
