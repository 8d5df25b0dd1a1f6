import type { Command } from 'commander';
import type { SignatureManifest } from '../signatures/signature.js';
import type { BundleReviewView, HeldBundle } from '../statements/bundle-review-view.js';
import { bundleReviewText, heldBundlesText } from './bundle-review-text.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText } from './output.js';
import { signatureText } from './review-text.js';
import { postSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

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
    const path = '/api/v1/held-bundles';
    const answer = await requestGateway(commandSettings(options), { method: 'GET', path });
    const list = readAnswer(answer, options.json === true) as
      | { readonly held: readonly HeldBundle[] }
      | undefined;
    if (!list) return;
    if (list.held.length > 0) process.exitCode = EXIT.problems;
    if (options.json) printJsonLine(list);
    else printText(heldBundlesText(list.held));
  });
  withGatewayOptions(
    bundle
      .command('show')
      .description('show one bundle as a reviewer signs it, with its digest')
      .argument('<id>', 'intake id, as `review bundle list` names it')
      .addHelpText('after', EXAMPLE),
  ).action(async (id: string, options: GatewayOptions) => {
    const answer = await requestGateway(commandSettings(options), {
      method: 'GET',
      path: pathOf(id),
    });
    const view = readAnswer(answer, options.json === true) as BundleReviewView | undefined;
    if (!view) return;
    if (options.json) printJsonLine(view);
    else printText(bundleReviewText(view));
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
    const done = (await postSigned(pathOf(id), {}, options)) as
      | { readonly state: string; readonly signature: SignatureManifest }
      | undefined;
    if (!done) return;
    if (options.json) printJsonLine(done);
    else printText(`${done.state}\n${signatureText(done.signature)}`);
  });
}

function pathOf(id: string): string {
  return `/api/v1/bundles/${encodeURIComponent(id)}/review`;
}
