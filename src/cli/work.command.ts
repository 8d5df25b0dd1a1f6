import type { Command } from 'commander';
import { processEnvironment, readSettings, requireServerPair } from '../config.js';
import { closeOnSignal } from './close-on-signal.js';
import { printJsonLine, progress } from './output.js';

interface WorkOptions {
  readonly siteFolder?: string;
  readonly concurrency?: string;
  readonly healthPort?: string;
  readonly logLevel?: string;
  readonly json?: boolean;
}

export function registerWork(program: Command): void {
  program
    .command('work')
    .description(
      'do what is due, beside gateways and other workers: checks, delivery, statements; needs PostgreSQL and Redis',
    )
    .option('--site-folder <dir>', 'site folder (default: mappings/northquay)')
    .option(
      '--concurrency <number>',
      'bundles examined at once, each in a thread (default: DRUMLINE_POOL_THREADS or 1)',
    )
    .option('--health-port <number>', 'port for /health/live and /health/ready, 0 for a free one')
    .option('--log-level <level>', 'fatal, error, warn, info, debug or silent (default: info)')
    .option('--json', 'print a JSON line on stdout once working; the log goes to stderr')
    .addHelpText('after', '\nExample:\n  drumline work --concurrency 2 --health-port 7071')
    .action(async ({ concurrency, json, ...overrides }: WorkOptions) => {
      const settings = readSettings(processEnvironment(), {
        ...overrides,
        poolThreads: concurrency,
      });
      requireServerPair(settings, 'drumline work');
      const { openWorker } = await import('../main.js');
      const worker = await openWorker(settings);
      closeOnSignal(() => worker.close());
      const { workerId, site, healthUrl } = worker;
      if (json) printJsonLine({ event: 'working', worker: workerId, site, health: healthUrl });
      else progress(`working for ${site}${healthUrl === null ? '' : `, health at ${healthUrl}`}`);
    });
}
