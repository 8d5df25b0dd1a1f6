import type { Command } from 'commander';
import type { SignatureManifest } from '../signatures/signature.js';
import type { ReviewAct } from '../statements/result-review.js';
import type { ReviewList, ReviewView } from '../statements/review-view.js';
import { registerAttribution } from './attribution.command.js';
import { registerBundleReview } from './bundle-review.command.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { registerLabels } from './labels.command.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';
import { registerRejection } from './rejection.command.js';
import { reviewListText, reviewText, signatureText } from './review-text.js';
import { postSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

const EXAMPLE =
  '\nExample:\n  drumline review list\n  drumline review show 0193…\n  drumline review clear 0193… --shown 9f86… --user r.reviewer --reason "sync log 12 shows the zone"';

/** Held results: look at them, and clear or refuse one by signature. */
export function registerReview(program: Command): void {
  const review = program
    .command('review')
    .description('look at held results, and clear or refuse them by signature')
    .addHelpText('after', EXAMPLE);
  registerList(review);
  registerShow(review);
  registerAct(review, 'clear', 'accept a held result, by signature of a reviewer');
  registerAct(review, 'refuse', 'leave a result out for good, by signature of a reviewer');
  registerBundleReview(review);
  registerLabels(review);
  registerAttribution(review);
  registerRejection(review);
}

function registerList(review: Command): void {
  withGatewayOptions(
    review
      .command('list')
      .description('list the results that wait for a reviewer, oldest first')
      .option('--after <id>', 'go on behind this one')
      .option('--limit <n>', 'at most so many, 1 to 200', '50')
      .addHelpText(
        'after',
        '\nExample:\n  drumline review list --json\n\nExit: 0 none waits, 1 some do, 2 wrong usage.',
      ),
  ).action(async (options: GatewayOptions & { after?: string; limit: string }) => {
    const query = new URLSearchParams({ limit: options.limit });
    if (options.after !== undefined) query.set('after', options.after);
    const answer = await requestGateway(commandSettings(options), {
      method: 'GET',
      path: `/api/v1/reviews?${query}`,
    });
    const list = readAnswer(answer, options.json === true) as ReviewList | undefined;
    if (!list) return;
    if (list.waiting.length > 0) process.exitCode = EXIT.problems;
    if (options.json) printJsonLine(list);
    else {
      printText(reviewListText(list.waiting));
      if (list.next !== null) progress(`there are more: --after ${list.next}`);
    }
  });
}

function registerShow(review: Command): void {
  withGatewayOptions(
    review
      .command('show')
      .description('show one result as a reviewer signs it, with its digest')
      .argument('<id>', 'row id, as `review list` names it')
      .addHelpText('after', '\nExample:\n  drumline review show 0193…'),
  ).action(async (id: string, options: GatewayOptions) => {
    const answer = await requestGateway(commandSettings(options), {
      method: 'GET',
      path: `/api/v1/results/${encodeURIComponent(id)}/review`,
    });
    const view = readAnswer(answer, options.json === true) as ReviewView | undefined;
    if (!view) return;
    if (options.json) printJsonLine(view);
    else printText(reviewText(view));
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
    const path = `/api/v1/results/${encodeURIComponent(id)}/review`;
    const done = (await postSigned(path, { act }, options)) as
      | { readonly state: string; readonly signature: SignatureManifest }
      | undefined;
    if (!done) return;
    if (options.json) printJsonLine(done);
    else printText(`${done.state}\n${signatureText(done.signature)}`);
  });
}
