import type { BundleReviewView, HeldBundle } from '../statements/bundle-review-view.js';
import { signatureText } from './review-text.js';

/** Held bundles, one a line. */
export function heldBundlesText(held: readonly HeldBundle[]): string {
  if (held.length === 0) return 'No bundle is held.';
  return held
    .map((b) =>
      [
        b.rowId,
        b.bundleId ?? 'no readable id',
        b.instrument ?? 'no instrument',
        b.receivedAt,
        b.heldBy.join(', '),
      ].join('  '),
    )
    .join('\n');
}

/** One bundle as a reviewer signs it, with the digest that a signature names. */
export function bundleReviewText(view: BundleReviewView): string {
  const { about, refuse } = view;
  const words = refuse.possible
    ? refuse.effects.join('; ')
    : `not possible: ${refuse.because.join('; ')}`;
  return [
    `bundle   ${about.bundleId ?? 'no readable id'} (${about.rowId})`,
    `state    ${about.state}`,
    ...about.findings.map((f) => `held by  ${f.code} at ${f.pointer}: ${f.message}`),
    ...about.results.map(
      (r) =>
        `result   ${r.resultId}, run ${r.runNumber ?? 'unknown'}: ${r.decision ?? 'unreadable'}${r.contrary ? ' (contrary)' : ''}, ${r.state}`,
    ),
    `refuse   ${words}`,
    ...view.signatures.map((s) => signatureText(s, s)),
    '',
    'what is signed:',
    JSON.stringify(view.shown, null, 2),
    `shown    ${view.sha256}`,
  ].join('\n');
}
