import type { Command } from 'commander';
import type { SignatureManifest } from '../signatures/signature.js';
import type { ReceiptReviewAct } from '../statements/receipt-review.js';
import type { ReceiptReviewView, WaitingReceipts } from '../statements/receipt-review-view.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';
import { signatureText } from './review-text.js';
import { postSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

const EXAMPLE =
  '\nExample:\n  drumline receipt-review list\n  drumline receipt-review show R-5001\n  drumline receipt-review sign R-5001 --shown 9f86… --user r.reviewer --reason "results and labels looked at"';

/** The second person of a statement: what waits, what would be signed, and the signature. */
export function registerReceiptReview(program: Command): void {
  const review = program
    .command('receipt-review')
    .description('look at what a statement rests on, and sign it as its second person, or refuse')
    .addHelpText('after', EXAMPLE);
  registerList(review);
  registerShow(review);
  registerAct(review, 'sign', 'approve what the statement rests on, by signature of a reviewer');
  registerAct(review, 'refuse', 'refuse to approve it, by signature of a reviewer');
}

function registerList(review: Command): void {
  withGatewayOptions(
    review
      .command('list')
      .description('list the receipts of which all holds but the second person')
      .option('--after <id>', 'go on behind this one')
      .option('--limit <n>', 'at most so many, 1 to 200', '50')
      .addHelpText(
        'after',
        '\nExample:\n  drumline receipt-review list --json\n\nExit: 0 none waits, 1 some do, 2 wrong usage.',
      ),
  ).action(async (options: GatewayOptions & { after?: string; limit: string }) => {
    const query = new URLSearchParams({ limit: options.limit });
    if (options.after !== undefined) query.set('after', options.after);
    const answer = await requestGateway(commandSettings(options), {
      method: 'GET',
      path: `/api/v1/receipt-reviews?${query}`,
    });
    const list = readAnswer(answer, options.json === true) as WaitingReceipts | undefined;
    if (!list) return;
    if (list.waiting.length > 0) process.exitCode = EXIT.problems;
    if (options.json) printJsonLine(list);
    else {
      printText(listText(list));
      if (list.next !== null) progress(`there are more: --after ${list.next}`);
    }
  });
}

function registerShow(review: Command): void {
  withGatewayOptions(
    review
      .command('show')
      .description('show what the second person of a statement signs, with its digest')
      .argument('<receipt>', 'receipt id')
      .addHelpText('after', '\nExample:\n  drumline receipt-review show R-5001'),
  ).action(async (id: string, options: GatewayOptions) => {
    const answer = await requestGateway(commandSettings(options), {
      method: 'GET',
      path: pathOf(id),
    });
    const view = readAnswer(answer, options.json === true) as ReceiptReviewView | undefined;
    if (!view) return;
    if (options.json) printJsonLine(view);
    else printText(viewText(view));
  });
}

function registerAct(review: Command, act: ReceiptReviewAct, description: string): void {
  withSigningOptions(
    review
      .command(act)
      .description(description)
      .argument('<receipt>', 'receipt id')
      .requiredOption('--shown <sha256>', 'digest of what `receipt-review show` showed')
      .addHelpText('after', EXAMPLE),
  ).action(async (id: string, options: SigningOptions) => {
    const done = (await postSigned(pathOf(id), { act }, options)) as
      | {
          readonly outcome: string;
          readonly revision: number;
          readonly signature: SignatureManifest;
        }
      | undefined;
    if (!done) return;
    if (options.json) printJsonLine(done);
    else {
      printText(`${done.outcome}, revision ${done.revision}\n${signatureText(done.signature)}`);
    }
  });
}

function pathOf(receiptId: string): string {
  return `/api/v1/receipts/${encodeURIComponent(receiptId)}/review`;
}

function listText({ waiting }: WaitingReceipts): string {
  if (waiting.length === 0) return 'No statement waits for its second person.';
  return waiting
    .map((w) =>
      [
        w.receiptId,
        `receipt ${w.receiptNumber ?? 'unknown'} / ${w.line ?? '-'}`,
        `material ${w.material ?? 'unknown'}`,
        `lot ${w.siteLot ?? 'unknown'}`,
        `${w.containers} containers`,
      ].join('  '),
    )
    .join('\n');
}

function viewText(view: ReceiptReviewView): string {
  return [
    `receipt  ${view.receiptId}`,
    `says     ${view.outcome}, revision ${view.revision}`,
    '',
    ...view.conditions.map((c) => `${c.state.padEnd(13)}  ${c.code}: ${c.found}`),
    '',
    ...(['sign', 'refuse'] as const).map((act) => {
      const { possible, because, effects } = view.options[act];
      return `${act.padEnd(8)} ${possible ? effects.join('; ') : `not possible: ${because.join('; ')}`}`;
    }),
    ...view.signatures.map((s) => signatureText(s, s)),
    '',
    'what is signed:',
    JSON.stringify(view.shown, null, 2),
    `shown    ${view.sha256}`,
  ].join('\n');
}
