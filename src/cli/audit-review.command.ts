import type { Command } from 'commander';
import type { SignatureManifest } from '../signatures/signature.js';
import type { TrailReviewList, TrailReviewView } from '../statements/trail-review-view.js';
import { printAnswer, printAsked } from './ask-gateway.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { readProof, withPasswordFile } from './person-proof.js';
import { signatureText } from './review-text.js';
import { trailReviewListText, trailReviewText } from './trail-review-text.js';

const EXAMPLE =
  '\nExample:\n  drumline audit review list\n  drumline audit review show\n  drumline audit review sign --last 4211 --shown 9f86… --user s.signer --findings "none; see report QA-12"';

/** The periodic review of the trail: look at what is due, and sign it. */
export function registerAuditReview(audit: Command): void {
  const review = audit
    .command('review')
    .description('the periodic review of the trail: look at what is due, and sign it')
    .addHelpText('after', EXAMPLE);
  registerList(review);
  registerShow(review);
  registerSign(review);
}

function registerList(review: Command): void {
  withGatewayOptions(
    review
      .command('list')
      .description('list what was reviewed, by whom, and what is due')
      .addHelpText(
        'after',
        '\nExample:\n  drumline audit review list --json\n\nExit: 0 reviews follow one another, 1 they do not, 2 wrong usage.',
      ),
  ).action(async (options: GatewayOptions) => {
    await printAsked<TrailReviewList>('/api/v1/trail/reviews', options, {
      text: trailReviewListText,
      isOpen: ({ faults }) => faults.length > 0,
    });
  });
}

function registerShow(review: Command): void {
  withGatewayOptions(
    review
      .command('show')
      .description('show the range that is due as a reviewer signs it, with its digest')
      .option('--last <n>', 'up to this entry, in place of the latest checkpoint')
      .addHelpText('after', '\nExample:\n  drumline audit review show'),
  ).action(async (options: GatewayOptions & { last?: string }) => {
    const query =
      options.last === undefined ? '' : `?${new URLSearchParams({ last: options.last })}`;
    await printAsked<TrailReviewView>(`/api/v1/trail/review${query}`, options, {
      text: trailReviewText,
    });
  });
}

interface SignOptions extends GatewayOptions {
  readonly last: string;
  readonly shown: string;
  readonly findings: string;
  readonly user: string;
  readonly passwordFile?: string;
}

function registerSign(review: Command): void {
  withGatewayOptions(
    withPasswordFile(
      review
        .command('sign')
        .description('sign what `audit review show` showed, with your findings')
        .requiredOption('--last <n>', 'last entry of what was shown')
        .requiredOption('--shown <sha256>', 'digest of what was shown')
        .requiredOption('--user <name>', 'user name of the signer')
        .requiredOption('--findings <text>', 'what was found; part of the signature'),
    ).addHelpText('after', EXAMPLE),
  ).action(async (options: SignOptions) => {
    const proof = await readProof(options);
    if (proof === undefined) return;
    const { last, shown, findings } = options;
    const answer = await requestGateway(commandSettings(options), {
      method: 'POST',
      path: '/api/v1/trail/review',
      body: {
        contentType: 'application/json',
        text: JSON.stringify({ last, shown, findings, ...proof }),
      },
    });
    const done = readAnswer(answer, options.json === true) as
      | { readonly first: number; readonly last: number; readonly signature: SignatureManifest }
      | undefined;
    if (!done) return;
    printAnswer(
      done,
      options,
      ({ first, last: to, signature }) => `entries ${first} to ${to}\n${signatureText(signature)}`,
    );
  });
}
