import type { Command } from 'commander';
import type { RejectionView } from '../pipeline/container-rejection.service.js';
import type { SignatureManifest } from '../signatures/signature.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { printJsonLine, printText } from './output.js';
import { signatureText } from './review-text.js';
import { postSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

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
    const answer = await requestGateway(commandSettings(options), { method: 'GET', path });
    const view = readAnswer(answer, options.json === true) as RejectionView | undefined;
    if (!view) return;
    if (options.json) printJsonLine(view);
    else printText(viewText(view));
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
      const done = (await postSigned(pathOf(receipt), said, options)) as
        | { readonly signature: SignatureManifest }
        | undefined;
      if (!done) return;
      if (options.json) printJsonLine(done);
      else printText(signatureText(done.signature));
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
