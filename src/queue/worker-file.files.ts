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
