import { type Command, Option } from 'commander';
import { SCOPES } from '../access/api-key.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';
import { readDuration } from './read-duration.js';

interface CreateOptions extends GatewayOptions {
  readonly site: string;
  readonly name: string;
  readonly scope: string[];
  readonly expires?: string;
  readonly responsible?: string;
}

export function registerKey(program: Command): void {
  const key = program
    .command('key')
    .description(
      'create, list, rotate and revoke API keys of sync PCs and of systems that read statements',
    )
    .addHelpText(
      'after',
      '\nExample:\n  drumline key create --site northquay --name sync-a --scope bundle:write',
    );

  withGatewayOptions(
    key
      .command('create')
      .description('create a key; its secret is shown this once and stored only as a digest')
      .requiredOption('--site <site>', 'site the key is for')
      .requiredOption('--name <name>', 'who uses it, e.g. the sync PC')
      .addOption(
        new Option('--scope <scope...>', 'what it may do').choices(SCOPES).makeOptionMandatory(),
      )
      .option('--expires <date-time>', 'RFC 3339 date-time after which it is refused')
      .option(
        '--responsible <user-name>',
        'with scope method:write: who answers for what is proposed with it, and approves none of it',
      )
      .addHelpText(
        'after',
        '\nExample:\n  drumline key create --site northquay --name sync-a --scope bundle:write',
      ),
  ).action(async (options: CreateOptions) => {
    const answer = await requestGateway(commandSettings(options), {
      method: 'POST',
      path: '/api/v1/keys',
      body: {
        contentType: 'application/json',
        text: JSON.stringify({
          site: options.site,
          name: options.name,
          scopes: options.scope,
          expiresAt: options.expires ?? null,
          responsible: options.responsible ?? null,
        }),
      },
    });
    const created = readAnswer(answer, options.json === true) as
      | { id: string; key: string }
      | undefined;
    if (!created) return;
    if (options.json) printJsonLine(created);
    else
      printText(
        `id   ${created.id}\nkey  ${created.key}\nKeep the key now; it is not shown again.`,
      );
  });

  withGatewayOptions(
    key
      .command('list')
      .description('list keys, without their secrets')
      .addHelpText('after', '\nExample:\n  drumline key list --json'),
  ).action(async (options: GatewayOptions) => {
    const answer = await requestGateway(commandSettings(options), {
      method: 'GET',
      path: '/api/v1/keys',
    });
    const listed = readAnswer(answer, options.json === true) as { keys: ListedKey[] } | undefined;
    if (!listed) return;
    if (options.json) printJsonLine(listed);
    else for (const one of listed.keys) printText(describeKey(one));
  });

  withGatewayOptions(
    key
      .command('rotate')
      .description('give a key a new secret, shown this once; the old one stays good for a while')
      .argument('<id>', 'id of the key')
      .option('--overlap <time>', 'how long the old secret stays good: 30m, 24h, 7d, or 0', '24h')
      .requiredOption('--reason <text>', 'why; kept in the trail')
      .addHelpText(
        'after',
        '\nExample:\n  drumline key rotate 0193… --overlap 24h --reason "yearly"',
      ),
  ).action(async (id: string, options: RotateOptions) => {
    const overlapMs = readDuration(options.overlap);
    if (overlapMs === null) {
      progress(`--overlap: expected a time such as 30m, 24h, 7d or 0, found ${options.overlap}`);
      process.exitCode = EXIT.usage;
      return;
    }
    const answer = await requestGateway(commandSettings(options), {
      method: 'POST',
      path: `/api/v1/keys/${encodeURIComponent(id)}/rotate`,
      body: {
        contentType: 'application/json',
        text: JSON.stringify({ overlapMs, reason: options.reason }),
      },
    });
    const rotated = readAnswer(answer, options.json === true) as Rotated | undefined;
    if (!rotated) return;
    if (options.json) printJsonLine(rotated);
    else {
      printText(`key  ${rotated.key}\nThe old one is good until ${rotated.previousUntil}.`);
      printText('Keep the new key now; it is not shown again.');
    }
  });

  withGatewayOptions(
    key
      .command('revoke')
      .description('end a key at once')
      .argument('<id>', 'id of the key')
      .requiredOption('--reason <text>', 'why; kept in the trail')
      .addHelpText('after', '\nExample:\n  drumline key revoke 0193… --reason "sync PC replaced"'),
  ).action(async (id: string, options: GatewayOptions & { reason: string }) => {
    const answer = await requestGateway(commandSettings(options), {
      method: 'DELETE',
      path: `/api/v1/keys/${encodeURIComponent(id)}?reason=${encodeURIComponent(options.reason)}`,
    });
    const revoked = readAnswer(answer, options.json === true);
    if (revoked === undefined) return;
    if (options.json) printJsonLine(revoked);
    else printText(`revoked ${id}`);
  });
}

interface RotateOptions extends GatewayOptions {
  readonly overlap: string;
  readonly reason: string;
}

interface Rotated {
  readonly key: string;
  readonly previousUntil: string;
}

interface ListedKey {
  readonly id: string;
  readonly name: string;
  readonly scopes: readonly string[];
  readonly expiresAt: string | null;
  readonly lastUsedAt: string | null;
  readonly revokedAt: string | null;
  readonly previousUntil: string | null;
  readonly responsible: string | null;
}

function describeKey(key: ListedKey): string {
  const state = key.revokedAt
    ? `revoked ${key.revokedAt}`
    : `last used ${key.lastUsedAt ?? 'never'}`;
  const ends = key.expiresAt === null ? 'no expiry' : `expires ${key.expiresAt}`;
  const overlap = key.previousUntil === null ? '' : `  old secret good until ${key.previousUntil}`;
  const answers = key.responsible === null ? '' : `  ${key.responsible} answers for it`;
  return `${key.id}  ${key.name}  ${key.scopes.join(',')}  ${ends}  ${state}${overlap}${answers}`;
}
