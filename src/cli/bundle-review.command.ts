import type { Command } from 'commander';
import type { BundleReviewView, HeldBundle } from '../statements/bundle-review-view.js';
import { printAsked } from './ask-gateway.js';
import { bundleReviewText, heldBundlesText } from './bundle-review-text.js';
import { type GatewayOptions, withGatewayOptions } from './gateway-command.js';
import { progress } from './output.js';
import { stateText } from './review-text.js';
import { printSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

const EXAMPLE =
  '\nExample:\n  drumline review bundle list\n  drumline review bundle show 0193…\n  drumline review bundle refuse 0193… --shown 9f86… --user r.reviewer --reason "the sync PC was replaced, see deviation 12"';

/** Held bundles: look at them, and refuse one by signature. */
export function registerBundleReview(review: Command): void {
  const bundle = review
    .command('bundle')
    .description('look at held bundles, and refuse one by signature')
    .addHelpText('after', EXAMPLE);
  withGatewayOptions(
    bundle
      .command('list')
      .description('list the bundles that are held, oldest first')
      .addHelpText('after', '\nExit: 0 none is held, 1 some are, 2 wrong usage.'),
  ).action(async (options: GatewayOptions) => {
    const list = await printAsked<{
      readonly held: readonly HeldBundle[];
      readonly isCut: boolean;
    }>('/api/v1/held-bundles', options, {
      text: ({ held }) => heldBundlesText(held),
      isOpen: ({ held }) => held.length > 0,
    });
    if (list?.isCut && !options.json) {
      progress('there are more; they are listed once these are not held any more');
    }
  });
  withGatewayOptions(
    bundle
      .command('show')
      .description('show one bundle as a reviewer signs it, with its digest')
      .argument('<id>', 'intake id, as `review bundle list` names it')
      .addHelpText('after', EXAMPLE),
  ).action(async (id: string, options: GatewayOptions) => {
    await printAsked<BundleReviewView>(pathOf(id), options, { text: bundleReviewText });
  });
  registerRefuse(bundle);
}

function registerRefuse(bundle: Command): void {
  withSigningOptions(
    bundle
      .command('refuse')
      .description('refuse a held bundle, by signature of a reviewer; its runs become a gap')
      .argument('<id>', 'intake id, as `review bundle list` names it')
      .requiredOption('--shown <sha256>', 'digest of what `review bundle show` showed')
      .addHelpText('after', EXAMPLE),
  ).action(async (id: string, options: SigningOptions) => {
    await printSigned(pathOf(id), {}, options, stateText);
  });
}

function pathOf(id: string): string {
  return `/api/v1/bundles/${encodeURIComponent(id)}/review`;
}
