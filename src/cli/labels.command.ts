import type { Command } from 'commander';
import type { SignatureManifest } from '../signatures/signature.js';
import type { LabelReviewView } from '../statements/label-review-view.js';
import { printAsked } from './ask-gateway.js';
import { type GatewayOptions, withGatewayOptions } from './gateway-command.js';
import { signatureText } from './review-text.js';
import { printSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

const EXAMPLE =
  '\nExample:\n  drumline review labels show 0193…\n  drumline review labels sign 0193… --shown 9f86… --seen-receipt GR-5001-10 --seen-container C-01 --user r.reviewer --reason "read off the drum"';

/** Labels that were not scanned: compared with receipt and container by a second person, who signs. */
export function registerLabels(review: Command): void {
  const labels = review
    .command('labels')
    .description('compare labels that were not scanned with receipt and container, by signature')
    .addHelpText('after', EXAMPLE);
  withGatewayOptions(
    labels
      .command('show')
      .description('show what was reported of the labels of a result, and the digest')
      .argument('<result>', 'result id, as the statement names it, or its row id')
      .addHelpText('after', '\nExample:\n  drumline review labels show 0193…'),
  ).action(async (result: string, options: GatewayOptions) => {
    await printAsked<LabelReviewView>(pathOf(result), options, { text: viewText });
  });
  withSigningOptions(
    labels
      .command('sign')
      .description('sign what the labels show; what differs from the result is refused')
      .argument('<result>', 'result id, as the statement names it, or its row id')
      .requiredOption('--shown <sha256>', 'digest of what `review labels show` showed')
      .requiredOption('--seen-receipt <text>', 'what the receipt label shows')
      .requiredOption('--seen-container <label>', 'what the container shows')
      .addHelpText('after', EXAMPLE),
  ).action(
    (result: string, options: SigningOptions & { seenReceipt: string; seenContainer: string }) => {
      const { seenReceipt, seenContainer } = options;
      return printSigned<{ readonly signature: SignatureManifest }>(
        pathOf(result),
        { seenReceipt, seenContainer },
        options,
        (done) => signatureText(done.signature),
      );
    },
  );
}

function pathOf(result: string): string {
  return `/api/v1/results/${encodeURIComponent(result)}/labels`;
}

function viewText(view: LabelReviewView): string {
  const entered = (name: string, { text, entry }: LabelReviewView['receipt']) =>
    `${name.padEnd(10)}${text ?? 'none'}, ${entry ?? 'entered unknown how'}`;
  return [
    `result    ${view.resultId}, measured by ${view.operatorId ?? 'an unnamed operator'}`,
    `of        receipt ${view.receiptId ?? 'unknown'}, container ${view.containerLabel ?? 'unknown'}`,
    entered('receipt', view.receipt),
    entered('container', view.container),
    `compared  ${view.isCompared ? 'yes' : 'no'}`,
    `shown     ${view.sha256}`,
  ].join('\n');
}
