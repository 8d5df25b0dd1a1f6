import { execFileSync } from 'node:child_process';
import { fileURLToPath } from 'node:url';

/** Worker threads and child processes run the built code: build it from what is about to be tested. */
export default function setup(): void {
  const root = fileURLToPath(new URL('../..', import.meta.url));
  execFileSync('npx', ['tsc', '-p', 'tsconfig.build.json'], { cwd: root, stdio: 'inherit' });
}
