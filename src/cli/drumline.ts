import 'reflect-metadata';
import { readFileSync } from 'node:fs';
import { Command } from 'commander';
import { Misconfigured } from '../errors.js';
import { MODULES } from './commands.js';
import { describeFileFault } from './file-fault.js';
import { EXIT, progress } from './output.js';

const program = new Command('drumline')
  .description(
    'Takes Raman identity results from the receiving dock to LIMS and ERP and proves that they arrived.\nDrumline reports; the quality unit releases.',
  )
  .version(packageVersion())
  .exitOverride()
  .configureHelp({ showGlobalOptions: true });

const [first = ''] = process.argv.slice(2);
const asked = MODULES.filter(([names]) => names.includes(first));
const isVersion = first === '-V' || first === '--version';
for (const [, load] of asked.length > 0 || isVersion ? asked : MODULES) (await load())(program);

/** What a command that failed left open ends by itself within this, or with the process. */
const LEFT_OPEN_MS_MAX = 10_000;

try {
  await program.parseAsync();
} catch (error) {
  process.exitCode = exitFor(error);
  // A process that neither works nor ends would be started anew by nobody.
  setTimeout(() => process.exit(), LEFT_OPEN_MS_MAX).unref();
}

function packageVersion(): string {
  const file = new URL('../../package.json', import.meta.url);
  return (JSON.parse(readFileSync(file, 'utf8')) as { version: string }).version;
}

/** Commander prints its own usage errors; what is left is said in one sentence. */
function exitFor(error: unknown): number {
  if (error instanceof Error && 'exitCode' in error && 'code' in error) {
    return error.exitCode === 0 ? EXIT.fine : EXIT.usage;
  }
  if (error instanceof Misconfigured) {
    progress(`${error.code}: ${error.message}`);
    return EXIT.usage;
  }
  const fault = describeFileFault(error);
  if (fault !== null) {
    progress(fault);
    return EXIT.usage;
  }
  progress(error instanceof Error ? (error.stack ?? error.message) : String(error));
  return EXIT.problems;
}
