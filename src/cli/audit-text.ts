import { type EndedLife, restoreName } from '../audit/lives.js';
import type { TrailReport } from '../audit/verify-trail.js';
import type { SignatureReport } from '../signatures/verify-signatures.js';

/** A verification as a person reads it: the verdict first. */
export function trailText(report: TrailReport): string {
  const { site, entries, unsealed, firstBroken, broken, brokenCount, remarks, checkpoints } =
    report;
  const lives = report.endedLives.length;
  const but =
    lives === 0
      ? ''
      : ` but for ${lives === 1 ? 'a life' : `${lives} lives`} that ended, see below`;
  const verdict =
    firstBroken === null
      ? `whole${but}: ${entries} entries of ${site}, each as it was sealed`
      : `BROKEN: ${firstBroken.kind} at ${placeOf(firstBroken)} of ${site}`;
  const more = brokenCount - broken.length;
  return [
    verdict,
    ...broken.map((fault) => `  ${fault.kind}: ${fault.text}`),
    ...(more > 0 ? [`  and ${more} more`] : []),
    `covered by checkpoints: ${report.covered} entries (${checkpoints.trail} checkpoints in the trail, ${checkpoints.outside} outside, ${checkpoints.signed} with a signature that counts)`,
    ...(unsealed > 0 ? [`waiting for their seal: ${unsealed}`] : []),
    ...remarks.map((remark) => `remark, ${remark.kind}: ${remark.text}`),
    `head ${report.head}`,
    `root ${report.root}`,
  ].join('\n');
}

/** What only somebody who knows of each restore can answer for. */
export function unexplainedText(lives: readonly EndedLife[]): string {
  return lives
    .map(
      ({ epoch, endedBy }) =>
        `NOT EXPLAINED: that life ${epoch} ended. If you know that the database was put back or copied at ${endedBy.at} (${endedBy.cause}), verify with --restored ${restoreName(endedBy)}; otherwise the trail was rewritten`,
    )
    .join('\n');
}

/** The signatures of a trail: how many, and each that is not as it was made. */
export function signaturesText({ checked, broken }: SignatureReport): string {
  const verdict =
    broken.length === 0
      ? `signatures: ${checked}, each as it was made`
      : `BROKEN SIGNATURES: ${broken.length}, of ${checked} here`;
  const list = broken.map((b) => `  ${b.fault}: ${b.signatureId}: ${b.detail}`);
  return [verdict, ...list].join('\n');
}

function placeOf({ sequence, upTo }: NonNullable<TrailReport['firstBroken']>): string {
  if (sequence === null) return 'no entry by number';
  return upTo === undefined ? `entry ${sequence}` : `entries ${sequence} to ${upTo}`;
}
