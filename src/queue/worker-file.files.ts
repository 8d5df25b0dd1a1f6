import { existsSync } from 'node:fs';
import { fileURLToPath } from 'node:url';

/**
 * Path of the compiled file of a worker thread or process, seen from the module that starts it. Both load plain
 * JavaScript: a test that runs from source gets the built one beside it in `dist`.
 */
export function workerFile(moduleUrl: string, relative: string): string {
  const beside = fileURLToPath(new URL(relative, moduleUrl));
  if (existsSync(beside)) return beside;
  const built = beside.replace(/([\\/])src([\\/])/, '$1dist$2');
  if (existsSync(built)) return built;
  throw new Error(`no compiled worker ${relative}; run \`npm run build\``);
}

/**
 * Options of node for the threads of a pool, which loads their code by `require` where it can and by `import` where it
 * cannot. A thread that is ended while it loads a module by `require` takes the whole process with it ("IsGraphAsync must
 * be used on an instantiated module", Node 20); so it is made to use `import`.
 */
export const POOL_THREAD_OPTIONS: readonly string[] = ['--no-experimental-require-module'];
