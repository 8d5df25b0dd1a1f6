import type { Command } from 'commander';
import type { SignatureManifest } from '../signatures/signature.js';
import type { OriginView, ShownOrigin } from '../statements/origin-view.js';
import { printAsked } from './ask-gateway.js';
import { type GatewayOptions, withGatewayOptions } from './gateway-command.js';
import { signatureText } from './review-text.js';
import { printSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

const EXAMPLE =
  '\nExample:\n  drumline review origin show R-5001-B\n  drumline review origin sign R-5001-B --shown 9f86… --user r.reviewer --reason "the other drum leaked, these are sealed"';

/** Receipts whose containers came from others: how those stood, and the signed act that answers for it. */
export function registerOrigin(review: Command): void {
  const origin = review
    .command('origin')
    .description('look at what a receipt came from, and answer for it by signature')
    .addHelpText('after', EXAMPLE);
  withGatewayOptions(
    origin
      .command('show')
      .description('show what the containers came from, how that stood, and the digest')
      .argument('<receipt>', 'receipt id')
      .addHelpText('after', '\nExample:\n  drumline review origin show R-5001-B'),
  ).action(async (receipt: string, options: GatewayOptions) => {
    await printAsked<OriginView>(pathOf(receipt), options, { text: viewText });
  });
  withSigningOptions(
    origin
      .command('sign')
      .description('answer for what it came from: the receipt is judged by itself from then on')
      .argument('<receipt>', 'receipt id')
      .requiredOption('--shown <sha256>', 'digest of what `review origin show` showed')
      .addHelpText('after', EXAMPLE),
  ).action(async (receipt: string, options: SigningOptions) => {
    await printSigned<{ readonly signature: SignatureManifest }>(
      pathOf(receipt),
      {},
      options,
      ({ signature }) => signatureText(signature),
    );
  });
}

function pathOf(receiptId: string): string {
  return `/api/v1/receipts/${encodeURIComponent(receiptId)}/origin`;
}

function viewText(view: OriginView): string {
  const { possible, because, effects } = view.sign;
  return [
    `receipt   ${view.receiptId}`,
    ...(view.origins.length === 0 ? ['came from no other receipt'] : view.origins.map(originText)),
    `sign      ${possible ? effects.join('; ') : `not possible: ${because.join('; ')}`}`,
    ...view.signatures.map((s) => signatureText(s, s)),
    '',
    'what is signed:',
    JSON.stringify(view.shown, null, 2),
    `shown     ${view.sha256}`,
  ].join('\n');
}

function originText(origin: ShownOrigin): string {
  const facts = [
    `statement then: ${origin.outcome ?? 'none'}`,
    ...(origin.hadStop ? ['a stop was in force'] : []),
    ...(origin.refused ? ['refused by the second person'] : []),
    ...(origin.refusals.length > 0 ? ['refused by the second person by now'] : []),
    ...(origin.hadContrary ? ['a contrary result went to one of its parts'] : []),
    ...(origin.disagreed ? ['the recheck disagreed with a result'] : []),
    `results against it: ${origin.contraryThen} then, ${origin.against.length} now`,
    ...(origin.rejected.length === 0
      ? []
      : [`rejected: ${origin.rejected.map(({ container }) => container).join(', ')}`]),
    signedText(origin),
  ];
  return `from      ${origin.receiptId} (${origin.kind}): ${facts.join('; ')}`;
}

function signedText({ signatureId, hasNews }: ShownOrigin): string {
  if (signatureId === null) return 'no signed act answers for it';
  return hasNews ? 'the signed act does not know all of it' : 'a signed act answers for it';
}
