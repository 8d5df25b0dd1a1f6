import type { Command } from 'commander';
import type { ReceiptReviewAct } from '../statements/receipt-review.js';
import type { ReceiptReviewView, WaitingReceipts } from '../statements/receipt-review-view.js';
import { printAsked, registerWaiting } from './ask-gateway.js';
import { type GatewayOptions, withGatewayOptions } from './gateway-command.js';
import { type StatedAnew, signatureText, statedText } from './review-text.js';
import { printSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

const EXAMPLE =
  '\nExample:\n  drumline receipt-review list\n  drumline receipt-review show R-5001\n  drumline receipt-review sign R-5001 --shown 9f86… --user r.reviewer --reason "results and labels looked at"';

/** The second person of a statement: what waits, what would be signed, and the signature. */
export function registerReceiptReview(program: Command): void {
  const review = program
    .command('receipt-review')
    .description('look at what a statement rests on, and sign it as its second person, or refuse')
    .addHelpText('after', EXAMPLE);
  registerWaiting<WaitingReceipts>(review, {
    description: 'list the receipts of which all holds but the second person',
    command: 'receipt-review',
    path: '/api/v1/receipt-reviews',
    text: listText,
  });
  registerShow(review);
  registerAct(review, 'sign', 'approve what the statement rests on, by signature of a reviewer');
  registerAct(review, 'refuse', 'refuse to approve it, by signature of a reviewer');
}

function registerShow(review: Command): void {
  withGatewayOptions(
    review
      .command('show')
      .description('show what the second person of a statement signs, with its digest')
      .argument('<receipt>', 'receipt id')
      .addHelpText('after', '\nExample:\n  drumline receipt-review show R-5001'),
  ).action(async (id: string, options: GatewayOptions) => {
    await printAsked<ReceiptReviewView>(pathOf(id), options, { text: viewText });
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
    await printSigned<StatedAnew>(pathOf(id), { act }, options, statedText);
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

function measuredText({ operator, belongsTo }: ReceiptReviewView['measuredBy'][number]): string {
  if (operator === null) return 'measured by nobody that its report names';
  return `measured by ${operator}, ${belongsTo ?? 'of no account'}`;
}

function viewText(view: ReceiptReviewView): string {
  return [
    `receipt  ${view.receiptId}`,
    `says     ${view.outcome}, revision ${view.revision}`,
    '',
    ...view.measuredBy.map(measuredText),
    `signing says: ${view.declared}`,
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
