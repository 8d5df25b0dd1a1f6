import { type Command, Option } from 'commander';
import type { SignatureManifest } from '../signatures/signature.js';
import type { PeriodProposal } from '../statements/period-view.js';
import { printAnswer, printAsked } from './ask-gateway.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printDocument, printJsonLine, printText, progress } from './output.js';
import { daysText, type ListedPeriods, proposalText, type ShownPeriod } from './period-text.js';
import {
  REPORT_FORMATS,
  type ReportFileOptions,
  reportFormat,
  reportUsageFault,
  writeReportFile,
} from './report-file.js';
import { signatureText } from './review-text.js';
import { printSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

const EXAMPLE =
  '\nExample:\n  drumline period list\n  drumline period show --from 2026-11-25 --to 2026-11-25\n  drumline period close --from 2026-11-25 --to 2026-11-25 --shown 9f86… --user s.signer --reason "end of day"\n  drumline period show 0193… --format pdf --out day.pdf\n  drumline period addenda 0193…';

interface Ends {
  readonly from?: string;
  readonly to?: string;
}

/** Days and custom periods: which are closed, what closing one would sign, the close, and its addenda. */
export function registerPeriod(program: Command): void {
  const period = program
    .command('period')
    .description('close days and other periods by signature, and look at those that are closed')
    .addHelpText('after', EXAMPLE);
  registerList(period);
  registerShow(period);
  registerClose(period);
  registerAddenda(period);
}

function registerList(period: Command): void {
  withGatewayOptions(
    period
      .command('list')
      .description('list days with what is closed of each, the latest first')
      .option('--before <day>', 'only days before this one (default: up to today)')
      .addHelpText(
        'after',
        '\nExample:\n  drumline period list --before 2026-11-01\n\nExit: 0 no addendum is open, 1 some are, 2 wrong usage.',
      ),
  ).action(async (options: GatewayOptions & { before?: string }) => {
    const { before } = options;
    const query = before === undefined ? '' : `?${new URLSearchParams({ before })}`;
    await printAsked<ListedPeriods>(`/api/v1/periods/days${query}`, options, {
      text: daysText,
      isOpen: (list) =>
        [...list.days.flatMap((d) => d.periods), ...list.others].some(
          (p) => p.openAddendum !== null,
        ),
    });
  });
}

function registerShow(period: Command): void {
  withGatewayOptions(
    period
      .command('show')
      .description('show a closed period, or what closing one would sign, with its digest')
      .argument('[id]', 'id of a closed period, as `period list` names it')
      .option('--from <day>', 'first day of a period that is not closed, or an RFC 3339 date-time')
      .option('--to <day>', 'its last day, or an RFC 3339 date-time that ends it')
      .addOption(
        new Option(
          '--format <format>',
          'of a closed period: text, json, csv, html or pdf, with the same content; default: text, with --json json',
        ).choices(REPORT_FORMATS),
      )
      .option('--out <file>', 'write it there instead of printing it')
      .option('--overwrite', 'replace a file of that name that holds something else')
      .addHelpText('after', EXAMPLE),
  ).action(async (id: string | undefined, options: GatewayOptions & ReportFileOptions & Ends) => {
    const isClosed = id !== undefined;
    const { from, to } = options;
    if (isClosed === (from !== undefined || to !== undefined)) {
      return wrongUsage('name a closed period by its id, or one that is not by --from and --to');
    }
    if (isClosed) await showClosed(id, options);
    else await showProposal({ from, to }, options);
  });
}

async function showClosed(id: string, options: GatewayOptions & ReportFileOptions): Promise<void> {
  const fault = reportUsageFault(options);
  if (fault !== null) return wrongUsage(fault);
  const answer = await requestGateway(commandSettings(options), {
    method: 'GET',
    path: `${pathOf(id)}?format=${reportFormat(options)}`,
  });
  if (answer.status >= 400) {
    readAnswer(answer, options.json === true);
    return;
  }
  if (options.out === undefined) {
    printDocument(answer.text);
    return;
  }
  if (!(await writeReportFile(options, options.out, answer.bytes))) return;
  if (options.json === true) printJsonLine({ out: options.out });
  else printText(options.out);
}

async function showProposal(
  ends: { readonly from: string | undefined; readonly to: string | undefined },
  options: GatewayOptions & ReportFileOptions,
): Promise<void> {
  if (options.out !== undefined || options.format !== undefined) {
    return wrongUsage('only a closed period is written as a file; `reconcile` writes any other');
  }
  const query = endsQuery(ends);
  if (query === null) return wrongUsage('a period has --from and --to');
  const path = `/api/v1/periods/proposal?${query}`;
  await printAsked<PeriodProposal>(path, options, { text: proposalText });
}

function registerClose(period: Command): void {
  withSigningOptions(
    period
      .command('close')
      .description('close a period, or what changed about one since, by signature')
      .option('--from <day>', 'first day of the period, or an RFC 3339 date-time')
      .option('--to <day>', 'its last day, or an RFC 3339 date-time that ends it')
      .option('--period <id>', 'a closed period, to sign an addendum of it')
      .option('--addendum <number>', 'the open addendum of that period')
      .requiredOption(
        '--shown <sha256>',
        'digest of what `period show`, or `period addenda --number`, showed',
      )
      .addHelpText('after', EXAMPLE),
  ).action(async (options: SigningOptions & Ends & { period?: string; addendum?: string }) => {
    const path = closePath(options);
    if (path === null) {
      return wrongUsage('name --from and --to, or --period and --addendum, not both');
    }
    await printSigned<{ readonly id: string; readonly signature: SignatureManifest }>(
      path,
      {},
      options,
      ({ id, signature }) => `closed   ${id}\n${signatureText(signature)}`,
    );
  });
}

function closePath(
  options: Ends & { readonly period?: string; readonly addendum?: string },
): string | null {
  const { period, addendum } = options;
  const isAddendum = period !== undefined && addendum !== undefined;
  const query = endsQuery(options);
  const isNeither = period === undefined && addendum === undefined;
  if (isAddendum && options.from === undefined && options.to === undefined) {
    return `${pathOf(period)}/addenda/${encodeURIComponent(addendum)}`;
  }
  return isNeither && query !== null ? `/api/v1/periods?${query}` : null;
}

function registerAddenda(period: Command): void {
  withGatewayOptions(
    period
      .command('addenda')
      .description('list what changed about a closed period, or show what an open addendum signs')
      .argument('<id>', 'id of the closed period')
      .option('--number <n>', 'show what this open addendum would sign, with its digest')
      .addHelpText(
        'after',
        '\nExample:\n  drumline period addenda 0193… --number 1\n\nExit: 0 none is open, 1 one is, 2 wrong usage.',
      ),
  ).action(async (id: string, options: GatewayOptions & { number?: string }) => {
    if (options.number !== undefined) {
      const path = `${pathOf(id)}/addenda/${encodeURIComponent(options.number)}`;
      await printAsked<PeriodProposal>(path, options, { text: proposalText });
      return;
    }
    const answer = await requestGateway(commandSettings(options), {
      method: 'GET',
      path: pathOf(id),
    });
    const shown = readAnswer(answer, options.json === true) as ShownPeriod | undefined;
    if (!shown) return;
    const { addenda } = shown;
    if (addenda.some((a) => a.signature === null)) process.exitCode = EXIT.problems;
    printAnswer({ id, addenda }, options, addendaText);
  });
}

function addendaText({ addenda }: Pick<ShownPeriod, 'addenda'>): string {
  if (addenda.length === 0) return 'Nothing changed since it was closed.';
  return addenda
    .flatMap((a) => [
      `addendum ${a.number}  ${a.signature === null ? `open since ${a.openedAt}` : 'signed'}`,
      ...a.changes.map((c) => `  ${c.at}  ${c.detail}`),
      ...(a.signature === null ? [] : [signatureText(a.signature)]),
    ])
    .join('\n');
}

function endsQuery({ from, to }: Ends | { from: string | undefined; to: string | undefined }) {
  return from === undefined || to === undefined ? null : new URLSearchParams({ from, to });
}

function pathOf(id: string): string {
  return `/api/v1/periods/${encodeURIComponent(id)}`;
}

function wrongUsage(words: string): void {
  progress(words);
  process.exitCode = EXIT.usage;
}
