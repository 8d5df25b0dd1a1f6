import { existsSync, readFileSync } from 'node:fs';
import { join, resolve } from 'node:path';
import { type Command, InvalidArgumentError } from 'commander';
import { readCheckpointFolder } from '../audit/checkpoint-folder.files.js';
import { ExportFile, type ExportReport, verifyExport } from '../audit/export.files.js';
import { type KnownRestore, readRestoreName, unexplainedLives } from '../audit/lives.js';
import { type PublicTrailKey, parsePublicKey } from '../audit/signing-key.js';
import { createTrailKey } from '../audit/trail-key.files.js';
import { trailSites } from '../audit/trail-source.store.js';
import { type Comparing, readTrail, verifyDatabase } from '../audit/verification.service.js';
import { Misconfigured } from '../errors.js';
import { formatInstant, instantFromMillis } from '../formats/instant.js';
import {
  signaturePages,
  verifySignaturesOf,
} from '../signatures/signature-verification.service.js';
import type { Reader } from '../storage/handles.js';
import {
  type DatabaseReader,
  openPostgresReader,
  openSqliteReader,
} from '../storage/open-reader.js';
import { registerAuditReview } from './audit-review.command.js';
import { signaturesText, trailText, unexplainedText } from './audit-text.js';
import { commandSettings } from './gateway-command.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';

interface SourceOptions {
  readonly data?: string;
  readonly file?: string;
  readonly site?: string;
  readonly json?: boolean;
}

interface VerifyOptions extends SourceOptions {
  readonly export?: string;
  readonly checkpoints?: string;
  readonly publicKey?: string[];
  readonly restored?: readonly KnownRestore[];
}

interface ExportOptions extends SourceOptions {
  readonly out: string;
}

export function registerAudit(program: Command): void {
  const audit = program
    .command('audit')
    .description('verify, review and export the trail, and make the key that signs its checkpoints')
    .addHelpText('after', '\nExample:\n  drumline audit verify --json');

  withSource(
    audit
      .command('verify')
      .description(
        'say whether the trail is as it was sealed and every signature as it was made, and name what is not; changes nothing',
      )
      .option(
        '--export <file>',
        'a file that `drumline audit export` wrote, in place of a database',
      )
      .option('--checkpoints <dir>', 'folder of checkpoints kept outside, to compare with')
      .option(
        '--public-key <file...>',
        'file of a public key kept elsewhere: only its signatures count, and those it vouches for',
      )
      .option(
        '--restored <epoch@entries...>',
        'a restore or copy that you know took place, as the report names it: the life that began, and the entries it went on from',
        readRestored,
      )
      .addHelpText(
        'after',
        '\nExample:\n  drumline audit verify --data ./data --checkpoints /mnt/worm/drumline --public-key trail.key.pub --json\n\nExit: 0 whole, 1 broken or a life ended that no --restored explains, 2 wrong usage.',
      ),
  ).action(async (options: VerifyOptions) => {
    const verdicts = await verifyAll(options);
    const reports = verdicts.map((v) => v.trail);
    const firstBroken = reports.find((r) => r.firstBroken !== null)?.firstBroken ?? null;
    const signatures = {
      checked: verdicts.reduce((total, v) => total + v.signatures.checked, 0),
      broken: verdicts.flatMap((v) => v.signatures.broken),
    };
    const endedLives = reports.flatMap((report) => report.endedLives);
    const unexplained = unexplainedLives(endedLives, options.restored ?? []);
    if (firstBroken !== null || signatures.broken.length + unexplained.length > 0) {
      process.exitCode = EXIT.problems;
    }
    const sum = (of: 'entries' | 'sealed' | 'unsealed') =>
      reports.reduce((total, report) => total + report[of], 0);
    const [entries, sealed, unsealed] = [sum('entries'), sum('sealed'), sum('unsealed')];
    if (options.json) {
      const found = { firstBroken, endedLives, unexplained, signatures };
      printJsonLine({ entries, sealed, unsealed, ...found, trails: reports });
    } else {
      for (const { trail, signatures: found } of verdicts) {
        printText(`${trailText(trail)}\n${signaturesText(found)}`);
      }
      if (unexplained.length > 0) printText(unexplainedText(unexplained));
    }
  });

  withSource(
    audit
      .command('export')
      .description(
        'write the trail of a site to a new file that can be verified without a database',
      )
      .requiredOption('--out <file>', 'new file; one that is there is never replaced')
      .addHelpText('after', '\nExample:\n  drumline audit export --out trail.jsonl --json'),
  ).action(async (options: ExportOptions) => {
    const written = await withSnapshot(options, (reader) => exportTrail(reader, options));
    if (options.json) printJsonLine(written);
    else
      printText(
        `${written.entries} entries, ${written.checkpoints} checkpoints and ${written.signatures} signatures of ${written.site} in ${written.file}`,
      );
  });

  registerAuditReview(audit);

  const key = audit
    .command('key')
    .description('the key that signs checkpoints')
    .addHelpText('after', '\nExample:\n  drumline audit key create --out /etc/drumline/trail.key');
  key
    .command('create')
    .description('make a key: the private half only its owner may read, the public half beside it')
    .requiredOption('--out <file>', 'new file outside the data folder')
    .option('--data <dir>', 'data folder of the gateway (default: DRUMLINE_DATA or .drumline/data)')
    .option('--json', 'print one JSON line, last on stdout')
    .addHelpText('after', '\nExample:\n  drumline audit key create --out /etc/drumline/trail.key')
    .action((options: { out: string; data?: string; json?: boolean }) => {
      const { dataDirectory } = commandSettings(options);
      const file = resolve(options.out);
      const { key: made, publicFile } = createTrailKey(file, dataDirectory);
      if (options.json) printJsonLine({ ...made, file, publicFile });
      else {
        printText(
          `key     ${made.id}\nprivate ${file} (set DRUMLINE_TRAIL_KEY to it)\npublic  ${publicFile}\nKeep the public half where the trail will be verified, apart from the database.`,
        );
      }
    });
}

function readRestored(text: string, before: readonly KnownRestore[] = []): KnownRestore[] {
  const restore = readRestoreName(text);
  if (restore === null) {
    throw new InvalidArgumentError(
      'Expected the life that began and the entries it went on from, such as 2@1234.',
    );
  }
  return [...before, restore];
}

function withSource(command: Command): Command {
  return command
    .option('--data <dir>', 'data folder of the gateway (default: DRUMLINE_DATA or .drumline/data)')
    .option('--file <file>', 'a copy of an SQLite database, in place of a data folder')
    .option('--site <site>', 'only the trail of this site')
    .option('--json', 'print one JSON line, last on stdout');
}

async function verifyAll(options: VerifyOptions): Promise<ExportReport[]> {
  const comparing = comparingOf(options);
  if (options.export !== undefined) {
    requireFile(options.export);
    return [await verifyExport(options.export, comparing)];
  }
  return withSnapshot(options, async (reader, place) => {
    const verdicts: ExportReport[] = [];
    // What checkpoints outside speak of has a trail: where nothing of it is left, it is broken, not absent.
    const spokenOf = comparing.outside.map(({ checkpoint }) => checkpoint.site);
    const sites = await sitesOf(reader, options.site, spokenOf);
    if (sites.length === 0) {
      throw new Misconfigured('trail-unreadable', { found: `${place}: it holds no trail` });
    }
    for (const site of sites) {
      progress(`verifying the trail of ${site}`);
      const trail = await verifyDatabase(reader, site, comparing);
      verdicts.push({ trail, signatures: await verifySignaturesOf(reader, site) });
    }
    return verdicts;
  });
}

async function exportTrail(reader: Reader, { site: wanted, out }: ExportOptions) {
  const [site, ...more] = await sitesOf(reader, wanted);
  if (site === undefined || more.length > 0) {
    const found = site === undefined ? 'no trail' : `the trails of ${[site, ...more].join(', ')}`;
    throw new Misconfigured('trail-unreadable', { found: `${found}; name one by --site` });
  }
  const exportedAt = formatInstant(instantFromMillis(Date.now()));
  const file = await ExportFile.create(out, site, exportedAt);
  const end = await readTrail(reader, site, file);
  for await (const some of signaturePages(reader, site)) {
    for (const signature of some) file.signature(signature);
    await file.pause();
  }
  await file.close(end);
  const { entries, checkpoints, signatures } = file;
  return { site, entries, checkpoints, signatures, file: resolve(out) };
}

async function sitesOf(
  reader: Reader,
  wanted: string | undefined,
  spokenOf: readonly string[] = [],
): Promise<string[]> {
  const sites = [...new Set([...(await trailSites(reader)), ...spokenOf])].sort();
  if (wanted === undefined) return sites;
  if (sites.includes(wanted)) return [wanted];
  const found = `no trail of ${wanted}, there are those of ${sites.join(', ') || 'nobody'}`;
  throw new Misconfigured('trail-unreadable', { found });
}

/** A database that is none of ours, or older than the sealed trail, is named as that. */
async function withSnapshot<T>(
  options: SourceOptions,
  work: (reader: Reader, place: string) => Promise<T>,
): Promise<T> {
  const { reader, place } = openSource(options);
  try {
    return await reader.snapshot((snapshot) => work(snapshot, place));
  } catch (cause) {
    const why = cause instanceof Error ? cause.message : String(cause);
    if (!/no such (?:table|column)|does not exist|not a database/.test(why)) throw cause;
    throw new Misconfigured('trail-unreadable', { found: `${place}: ${why}`, cause });
  } finally {
    await reader.close();
  }
}

function openSource({ data, file }: SourceOptions): { reader: DatabaseReader; place: string } {
  if (file !== undefined) return { reader: openSqliteReader(file), place: file };
  const { databaseUrl, dataDirectory } = commandSettings(data === undefined ? {} : { data });
  if (databaseUrl !== null && data === undefined) {
    return { reader: openPostgresReader(databaseUrl), place: 'DATABASE_URL' };
  }
  const path = join(dataDirectory, 'drumline.db');
  return { reader: openSqliteReader(path), place: path };
}

function comparingOf({ checkpoints, publicKey }: VerifyOptions): Comparing {
  const keys = (publicKey ?? []).map(readPublicKey);
  if (checkpoints === undefined) return { keys, outside: [] };
  requireFile(checkpoints);
  const folder = readCheckpointFolder(checkpoints);
  return { keys, outside: folder.checkpoints, unreadable: folder.unreadable };
}

function readPublicKey(path: string): PublicTrailKey {
  requireFile(path);
  const key = parsePublicKey(readFileSync(path, 'utf8'));
  if (key !== null) return key;
  throw new Misconfigured('trail-unreadable', { found: `${path}: no Ed25519 public key` });
}

function requireFile(path: string): void {
  if (existsSync(path)) return;
  throw new Misconfigured('trail-unreadable', { found: `${path}: no such file or folder` });
}
