import type { Command } from 'commander';
import { restoreBackup, writeBackup } from './backup.files.js';
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
  readonly data: string;
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
        '\nExample:\n  drumline backup --out /backups/drumline-2026-11-25.db --json',
      ),
  ).action(async (options: BackupOptions) => {
    const settings = commandSettings(options);
    if (settings.databaseUrl !== null) return byServer(options);
    const manifest = await writeBackup(settings.dataDirectory, options.out);
    const noted = await requestGateway(settings, {
      method: 'POST',
      path: '/api/v1/instance/backups',
      body: {
        contentType: 'application/json',
        text: JSON.stringify({ sha256: manifest.sha256, bytes: manifest.bytes }),
      },
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
    .description('make a data folder out of a backup; its gateway starts paused')
    .argument('<file>', 'backup, with its manifest beside it')
    .requiredOption('--data <dir>', 'folder to make; not there, or empty')
    .option('--json', 'print one JSON line, last on stdout')
    .addHelpText(
      'after',
      '\nStop the gateway that the backup was made of first: two of them would send twice.\n\nExample:\n  drumline restore /backups/drumline-2026-11-25.db --data .drumline/data',
    )
    .action(async (file: string, options: RestoreOptions) => {
      const restored = await restoreBackup(file, options.data);
      if (options.json) printJsonLine(restored);
      else {
        printText(
          `${restored.data}  from the backup of ${restored.madeAt}\nThe gateway starts paused and reads its destinations back; then: drumline resume --reason …`,
        );
      }
    });
}

/** The server makes its own backups; one that is put back elsewhere is recognised at the start. */
function byServer(options: BackupOptions): void {
  const command = `pg_dump --format=custom --file ${JSON.stringify(options.out)} --dbname "$DATABASE_URL"`;
  const back = `createdb <new> && pg_restore --exit-on-error --dbname <new> ${JSON.stringify(options.out)}`;
  if (options.json) printJsonLine({ done: false, command, restore: back });
  else printText(`${command}\n${back}`);
  progress(
    'the database is on a server: nothing was written; run the command above where pg_dump is',
  );
  process.exitCode = EXIT.problems;
}
