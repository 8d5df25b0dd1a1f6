import type { Command } from 'commander';
import { processEnvironment, readSettings, requireServerPair } from '../config.js';
import { closeOnSignal } from './close-on-signal.js';
import { printJsonLine, progress } from './output.js';

interface ServeOptions {
  readonly data?: string;
  readonly siteFolder?: string;
  readonly host?: string;
  readonly port?: string;
  readonly watch?: string;
  readonly logLevel?: string;
  readonly tlsCert?: string;
  readonly tlsKey?: string;
  readonly work: boolean;
  readonly json?: boolean;
}

export function registerServe(program: Command): void {
  program
    .command('serve')
    .description('run the gateway: intake, checks, delivery, statements and the page')
    .option('--data <dir>', 'data folder (default: DRUMLINE_DATA or .drumline/data)')
    .option(
      '--site-folder <dir>',
      'site folder (default: DRUMLINE_SITE_FOLDER or mappings/northquay)',
    )
    .option('--host <address>', 'address to listen on (default: DRUMLINE_HOST or 127.0.0.1)')
    .option(
      '--port <number>',
      'port to listen on, 0 for a free one (default: DRUMLINE_PORT or 7070)',
    )
    .option('--watch <dir>', 'folder to take bundles from (default: DRUMLINE_WATCH, or none)')
    .option(
      '--tls-cert <file>',
      'certificate chain, PEM (default: DRUMLINE_TLS_CERT, or plain HTTP)',
    )
    .option('--tls-key <file>', 'its private key, PEM (default: DRUMLINE_TLS_KEY)')
    .option('--no-work', 'only take and answer; `drumline work` does the rest in other processes')
    .option('--log-level <level>', 'fatal, error, warn, info, debug or silent (default: info)')
    .option('--json', 'print a JSON line on stdout once listening; the log goes to stderr')
    .addHelpText(
      'after',
      '\nExample:\n  drumline serve --data ./data --site-folder mappings/northquay --watch ./inbox',
    )
    .action(async (options: ServeOptions) => {
      const { work, json, ...overrides } = options;
      const settings = readSettings(processEnvironment(), overrides);
      if (!work) requireServerPair(settings, 'drumline serve --no-work');
      const { openApplication } = await import('../main.js');
      const application = await openApplication(settings, { work, watch: true });
      closeOnSignal(() => application.close());
      const url = await application.listen().catch(async (error: unknown) => {
        // A gateway that nobody can reach must not go on working behind a port of somebody else.
        await application.close();
        throw error;
      });
      if (json) printJsonLine({ event: 'listening', url });
      else progress(`listening on ${url}`);
    });
}
