import { join, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';
import type { Command } from 'commander';
import { processEnvironment, readSettings } from '../config.js';
import type { DemoOptions, FinishedDemo } from '../simulation/demo.runner.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';

interface DemoCommandOptions {
  readonly data?: string;
  readonly siteFolder?: string;
  readonly port: string;
  readonly seed: string;
  readonly once?: boolean;
  readonly json?: boolean;
}

const SITE_FOLDER = fileURLToPath(new URL('../../mappings/northquay', import.meta.url));

/** `drumline demo`: a simulated day from the dock to LIMS and ERP, judged from their books. */
export function registerDemo(program: Command): void {
  program
    .command('demo')
    .description(
      'live a simulated day at the invented site Northquay: gateway, stand-in LIMS and ERP, four handhelds',
    )
    .option('--once', 'stop after the day instead of keeping the page open')
    .option('--json', 'print one JSON line, last on stdout; the summary goes to stderr')
    .option('--data <dir>', 'data folder (default: .drumline/demo-<time>)')
    .option('--site-folder <dir>', 'site folder (default: the one that comes with Drumline)')
    .option('--port <number>', 'port of the gateway, 0 for a free one', '0')
    .option('--seed <number>', 'seed of the simulated spectra', '2611')
    .addHelpText('after', '\nExample:\n  drumline demo --once --json')
    .action(async (options: DemoCommandOptions) => {
      const seed = Number(options.seed);
      if (!Number.isSafeInteger(seed)) {
        progress(`--seed must be a whole number, found ${options.seed}`);
        process.exitCode = EXIT.usage;
        return;
      }
      // Refused here, before anything is started for the day.
      readSettings(processEnvironment(), { port: options.port });
      const started = performance.now();
      await demo(options, {
        dataDirectory: resolve(options.data ?? defaultDataDirectory()),
        siteFolderDirectory: resolve(options.siteFolder ?? SITE_FOLDER),
        port: options.port,
        seed,
        environment: { ...processEnvironment() },
        say: (text) => {
          const seconds = ((performance.now() - started) / 1000).toFixed(1).padStart(5);
          progress(`${seconds} s  ${text}`);
        },
      });
    });
}

async function demo(options: DemoCommandOptions, run: Omit<DemoOptions, 'signal'>): Promise<void> {
  const interruption = new AbortController();
  for (const name of ['SIGINT', 'SIGTERM'] as const) process.once(name, () => interruption.abort());
  // Loaded here: no other command needs what the simulation brings along.
  const { runDemo } = await import('../simulation/demo.runner.js');
  const { GatewayNotStarted } = await import('../simulation/gateway.process.js');
  const { signal } = interruption;
  const finished = await runDemo({ ...run, signal }).catch((error: unknown) => {
    if (signal.aborted) return null;
    if (error instanceof GatewayNotStarted) return error;
    throw error;
  });
  if (finished instanceof GatewayNotStarted) {
    progress(finished.message);
    process.exitCode = EXIT.usage;
    return;
  }
  if (finished === null) {
    progress('The demo was interrupted; everything it had started is stopped.');
    process.exitCode = EXIT.problems;
    return;
  }
  const { report } = finished.verdict;
  if (options.json) progress(finished.summary);
  else printText(finished.summary);
  process.exitCode = report.ok ? EXIT.fine : EXIT.problems;
  if (!options.once) await stayOpen(finished, signal);
  await finished.stop();
  if (options.json) printJsonLine(report);
}

async function stayOpen(finished: FinishedDemo, signal: AbortSignal): Promise<void> {
  const { userName, password } = finished.signIn;
  progress(`The page stays open at ${finished.url}/ (Ctrl+C ends the demo)`);
  progress(`Sign in there as ${userName} with the password "${password}" (simulated)`);
  const interrupted = new Promise<null>((resolve) => {
    if (signal.aborted) resolve(null);
    signal.addEventListener('abort', () => resolve(null));
  });
  const why = await Promise.race([interrupted, finished.gatewayDied]);
  if (why !== null) progress(why);
}

function defaultDataDirectory(): string {
  const time = new Date().toISOString().replace(/[-:]/g, '').slice(0, 15);
  return join('.drumline', `demo-${time}`);
}
