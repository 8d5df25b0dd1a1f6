import type { Command } from 'commander';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';

/** How an answer is printed where nobody asked for JSON, and whether it leaves something to do. */
interface Printing<T> {
  readonly text: (answer: T) => string;
  /** True exits with 1: a script sees that there is something to do. */
  readonly isOpen?: (answer: T) => boolean;
}

/**
 * Asks the gateway and prints its answer, or the problem.
 *
 * @returns the answer; undefined when there was a problem
 */
export async function printAsked<T>(
  path: string,
  options: GatewayOptions,
  { text, isOpen }: Printing<T>,
): Promise<T | undefined> {
  const answer = await requestGateway(commandSettings(options), { method: 'GET', path });
  const body = readAnswer(answer, options.json === true) as T | undefined;
  if (!body) return undefined;
  if (isOpen?.(body)) process.exitCode = EXIT.problems;
  printAnswer(body, options, text);
  return body;
}

/** Prints an answer as one JSON line or as text. */
export function printAnswer<T>(
  answer: T,
  options: GatewayOptions,
  text: (answer: T) => string,
): void {
  if (options.json) printJsonLine(answer);
  else printText(text(answer));
}

/** One page of what waits for somebody. */
interface Waiting {
  readonly waiting: readonly unknown[];
  /** Where the next page begins; null on the last. */
  readonly next: string | null;
}

/** A command `list` of what waits, by pages. */
export function registerWaiting<T extends Waiting>(
  parent: Command,
  of: {
    readonly description: string;
    /** The command as it is typed, for the example. */
    readonly command: string;
    readonly path: string;
    readonly text: (list: T) => string;
  },
): void {
  withGatewayOptions(
    parent
      .command('list')
      .description(of.description)
      .option('--after <id>', 'go on behind this one')
      .option('--limit <n>', 'at most so many, 1 to 200', '50')
      .addHelpText(
        'after',
        `\nExample:\n  drumline ${of.command} list --json\n\nExit: 0 none waits, 1 some do, 2 wrong usage.`,
      ),
  ).action(async (options: GatewayOptions & { after?: string; limit: string }) => {
    const query = new URLSearchParams({ limit: options.limit });
    if (options.after !== undefined) query.set('after', options.after);
    const list = await printAsked<T>(`${of.path}?${query}`, options, {
      text: of.text,
      isOpen: ({ waiting }) => waiting.length > 0,
    });
    if (list && list.next !== null && !options.json) {
      progress(`there are more: --after ${list.next}`);
    }
  });
}
