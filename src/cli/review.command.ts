import type { Command } from 'commander';
import type { ReviewAct } from '../statements/result-review.js';
import type { ReviewList, ReviewView } from '../statements/review-view.js';
import { printAsked, registerWaiting } from './ask-gateway.js';
import { registerAttribution } from './attribution.command.js';
import { registerBundleReview } from './bundle-review.command.js';
import { type GatewayOptions, withGatewayOptions } from './gateway-command.js';
import { registerLabels } from './labels.command.js';
import { registerOrigin } from './origin.command.js';
import { registerRejection } from './rejection.command.js';
import { reviewListText, reviewText, stateText } from './review-text.js';
import { printSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

const EXAMPLE =
  '\nExample:\n  drumline review list\n  drumline review show 0193…\n  drumline review clear 0193… --shown 9f86… --user r.reviewer --reason "sync log 12 shows the zone"';

/** Held results: look at them, and clear or refuse one by signature. */
export function registerReview(program: Command): void {
  const review = program
    .command('review')
    .description('look at held results, and clear or refuse them by signature')
    .addHelpText('after', EXAMPLE);
  registerWaiting<ReviewList>(review, {
    description: 'list the results that wait for a reviewer, oldest first',
    command: 'review',
    path: '/api/v1/reviews',
    text: ({ waiting }) => reviewListText(waiting),
  });
  registerShow(review);
  registerAct(review, 'clear', 'accept a held result, by signature of a reviewer');
  registerAct(review, 'refuse', 'leave a result out for good, by signature of a reviewer');
  registerBundleReview(review);
  registerLabels(review);
  registerAttribution(review);
  registerRejection(review);
  registerOrigin(review);
}

function registerShow(review: Command): void {
  withGatewayOptions(
    review
      .command('show')
      .description('show one result as a reviewer signs it, with its digest')
      .argument('<id>', 'row id, as `review list` names it')
      .addHelpText('after', '\nExample:\n  drumline review show 0193…'),
  ).action(async (id: string, options: GatewayOptions) => {
    await printAsked<ReviewView>(pathOf(id), options, { text: reviewText });
  });
}

function registerAct(review: Command, act: ReviewAct, description: string): void {
  withSigningOptions(
    review
      .command(act)
      .description(description)
      .argument('<id>', 'row id, as `review list` names it')
      .requiredOption('--shown <sha256>', 'digest of what `review show` showed')
      .addHelpText('after', EXAMPLE),
  ).action(async (id: string, options: SigningOptions) => {
    await printSigned(pathOf(id), { act }, options, stateText);
  });
}

function pathOf(id: string): string {
  return `/api/v1/results/${encodeURIComponent(id)}/review`;
}
