import type { Command } from 'commander';
import type { Difference, RecomputedPage } from '../reconciliation/recompute.service.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { openGatewayLink } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText } from './output.js';

interface RecomputeOptions extends GatewayOptions {
  readonly verify?: boolean;
}

/** Differences named at most; more of them have one cause. */
const NAMED_MAX = 1_000;

export function registerRecompute(program: Command): void {
  withGatewayOptions(
    program
      .command('recompute')
      .description(
        'compare everything from scratch with what is kept event by event, and store anew what differs',
      )
      .option('--verify', 'change nothing: only say whether both are equal')
      .addHelpText(
        'after',
        '\nExample:\n  drumline recompute --verify --json\n\nExit: 0 equal, 1 something differs or differed, 2 wrong usage.',
      ),
  ).action(recompute);
}

async function recompute(options: RecomputeOptions): Promise<void> {
  const startedAt = performance.now();
  const repair = options.verify !== true;
  const found: Difference[] = [];
  let count = 0;
  let receipts = 0;
  let results = 0;
  const link = await openGatewayLink(commandSettings(options));
  try {
    for (let query = 'part=receipts&after='; query !== ''; ) {
      const answer = await link.request({
        method: 'POST',
        path: `/api/v1/recompute?${query}${repair ? '&repair=1' : ''}`,
      });
      const page = readAnswer(answer, options.json === true) as RecomputedPage | undefined;
      if (!page) return;
      count += page.differences.length;
      found.push(...page.differences.slice(0, NAMED_MAX - found.length));
      receipts += page.receipts;
      results += page.results;
      query =
        page.next === null
          ? ''
          : page.next.part === 'unowned'
            ? 'part=unowned'
            : `part=receipts&after=${encodeURIComponent(page.next.after)}`;
    }
  } finally {
    await link.close();
  }
  const seconds = Math.round(performance.now() - startedAt) / 1000;
  const equal = count === 0;
  if (!equal) process.exitCode = EXIT.problems;
  if (options.json) {
    printJsonLine({
      equal,
      differences: found,
      count,
      repaired: repair && !equal,
      receipts,
      results,
      seconds,
    });
    return;
  }
  printText(
    [
      ...found.map((d) => `  ${d.receiptId === '' ? 'no receipt' : d.receiptId}: ${d.what}`),
      `${equal ? 'equal' : `${count} differences${repair ? ', stored anew' : ''}`}: ${receipts} receipts, ${results} results in ${seconds} s`,
    ].join('\n'),
  );
}
