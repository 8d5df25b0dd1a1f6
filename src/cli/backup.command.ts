import type { Command } from 'commander';
import { processEnvironment, type Settings } from '../config.js';
import { restoreBackup, writeBackup } from './backup.files.js';
import { manifestOf } from './backup-file.files.js';
import { restoreServerBackup, writeServerBackup } from './backup-server.files.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';

interface BackupOptions extends GatewayOptions {
  readonly out: string;
}

interface RestoreOptions {
  readonly data?: string;
  readonly json?: boolean;
}

export function registerBackup(program: Command): void {
  withGatewayOptions(
    program
      .command('backup')
      .description('write a consistent copy of the database, also while the gateway runs')
      .requiredOption('--out <file>', 'file to write; a manifest is written beside it')
      .addHelpText(
        'after',
        '\nWith DATABASE_URL and REDIS_URL it runs pg_dump, found on PATH or named by PG_DUMP, which must not be older than\nthe server.\n\nExample:\n  drumline backup --out /backups/drumline-2026-11-25.db --json',
      ),
  ).action(async (options: BackupOptions) => {
    const settings = commandSettings(options);
    const { databaseUrl: address } = settings;
    const manifest =
      address === null
        ? await writeBackup(settings.dataDirectory, options.out)
        : await writeServerBackup(address, options.out, processEnvironment());
    const noted = await requestGateway(settings, {
      method: 'POST',
      path: '/api/v1/instance/backups',
      body: {
        contentType: 'application/json',
        text: JSON.stringify({ sha256: manifest.sha256, bytes: manifest.bytes }),
      },
    }).catch((error: unknown) => {
      // Whoever reads the refusal behind this must not make another one, or do without.
      progress(`${options.out} is complete, but the trail of the database does not name it:`);
      throw error;
    });
    if (readAnswer(noted, options.json === true) === undefined) return;
    if (options.json) printJsonLine(manifest);
    else {
      printText(
        `${options.out}  ${manifest.bytes} bytes  ${manifest.sha256}\nschema ${manifest.schema}, epoch ${manifest.instance.epoch}, ${manifest.trail.entries} entries of the trail`,
      );
    }
  });

  program
    .command('restore')
    .description('make a data folder or fill an empty database out of a backup; it starts paused')
    .argument('<file>', 'backup, with its manifest beside it')
    .option('--data <dir>', 'SQLite: folder to make; not there, or empty')
    .option('--json', 'print one JSON line, last on stdout')
    .addHelpText(
      'after',
      '\nStop the processes that work on what the backup was made of first: two of them would send twice. A backup of\nPostgreSQL goes into the database of DATABASE_URL, which must be empty and belong to its user; pg_restore is found\non PATH or named by PG_RESTORE.\n\nExamples:\n  drumline restore /backups/drumline-2026-11-25.db --data .drumline/data\n  DATABASE_URL=… REDIS_URL=… drumline restore /backups/drumline-2026-11-25.dump',
    )
    .action(async (file: string, options: RestoreOptions) => {
      const isOfServer = manifestOf(file).postgresql !== null;
      const settings = isOfServer ? commandSettings({}) : null;
      const fault = wrongTarget(isOfServer, options, settings);
      if (fault !== null) {
        progress(fault);
        process.exitCode = EXIT.usage;
        return;
      }
      const restored =
        settings?.databaseUrl == null
          ? await restoreBackup(file, options.data ?? '')
          : await restoreServerBackup(file, settings.databaseUrl, processEnvironment());
      if (options.json) printJsonLine(restored);
      else {
        const where = 'data' in restored ? restored.data : `database ${restored.database}`;
        printText(
          `${where}  from the backup of ${restored.madeAt}\nWhat starts on it is paused and reads its destinations back; then: drumline resume --reason …`,
        );
      }
    });
}

function wrongTarget(
  isOfServer: boolean,
  options: RestoreOptions,
  settings: Settings | null,
): string | null {
  if (!isOfServer) {
    return options.data === undefined ? '--data: name the folder to make of this backup' : null;
  }
  if (options.data !== undefined) {
    return '--data: this backup is of PostgreSQL and goes into the database of DATABASE_URL';
  }
  return settings?.databaseUrl == null
    ? 'this backup is of PostgreSQL: set DATABASE_URL (an empty database) and REDIS_URL'
    : null;
}
