import type { Command } from 'commander';
import type { RejectionView } from '../pipeline/container-rejection.service.js';
import type { SignatureManifest } from '../signatures/signature.js';
import { printAsked } from './ask-gateway.js';
import { type GatewayOptions, withGatewayOptions } from './gateway-command.js';
import { signatureText } from './review-text.js';
import { printSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

const EXAMPLE =
  '\nExample:\n  drumline review rejection show R-5001 C-003\n  drumline review rejection sign R-5001 C-003 --shown 9f86… --investigation INV-26-030 --user r.reviewer --reason "holds another material"';

/** Containers rejected by signature. That one was split off is ERP's to say, by its key; no command does that. */
export function registerRejection(review: Command): void {
  const rejection = review
    .command('rejection')
    .description('look at a container, and reject it by signature')
    .addHelpText('after', EXAMPLE);
  withGatewayOptions(
    rejection
      .command('show')
      .description('show a container, what rejecting it does, and the digest')
      .argument('<receipt>', 'receipt id')
      .argument('<container>', 'its label')
      .addHelpText('after', '\nExample:\n  drumline review rejection show R-5001 C-003'),
  ).action(async (receipt: string, container: string, options: GatewayOptions) => {
    const path = `${pathOf(receipt)}?${new URLSearchParams({ container })}`;
    await printAsked<RejectionView>(path, options, { text: viewText });
  });
  withSigningOptions(
    rejection
      .command('sign')
      .description('reject a container: its receipt does not conform until ERP splits it off')
      .argument('<receipt>', 'receipt id')
      .argument('<container>', 'its label')
      .requiredOption('--shown <sha256>', 'digest of what `review rejection show` showed')
      .requiredOption('--investigation <number>', 'reference number of the investigation')
      .addHelpText('after', EXAMPLE),
  ).action(
    async (
      receipt: string,
      container: string,
      options: SigningOptions & { investigation: string },
    ) => {
      const { investigation } = options;
      const said = { container, investigation };
      await printSigned<{ readonly signature: SignatureManifest }>(
        pathOf(receipt),
        said,
        options,
        ({ signature }) => signatureText(signature),
      );
    },
  );
}

function pathOf(receiptId: string): string {
  return `/api/v1/receipts/${encodeURIComponent(receiptId)}/rejection`;
}

function viewText(view: RejectionView): string {
  const { possible, because, effects } = view.reject;
  return [
    `receipt   ${view.receiptId}, container ${view.container}`,
    ...view.results.map((result) => `measured  ${result}`),
    ...(view.splitOffTo === null ? [] : [`split off to ${view.splitOffTo}`]),
    `reject    ${possible ? effects.join('; ') : `not possible: ${because.join('; ')}`}`,
    ...view.signatures.map((s) => signatureText(s)),
    '',
    'what is signed:',
    JSON.stringify(view.shown, null, 2),
    `shown     ${view.sha256}`,
  ].join('\n');
}
