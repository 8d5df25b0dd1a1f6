import type { SignatureManifest } from '../signatures/signature.js';
import type { ReviewView, WaitingReview } from '../statements/review-view.js';

/** A list of results that wait for a reviewer, one a line. */
export function reviewListText(waiting: readonly WaitingReview[]): string {
  if (waiting.length === 0) return 'No result waits for a reviewer.';
  return waiting
    .map((w) =>
      [
        w.rowId,
        w.resultId,
        `receipt ${w.receiptId ?? w.receiptScanned ?? 'none'}`,
        `container ${w.container ?? 'none'}`,
        `${w.decision ?? 'unreadable'}${w.contrary ? ' (contrary)' : ''}`,
        w.heldBy.join(', '),
      ].join('  '),
    )
    .join('\n');
}

/** One result as a reviewer is shown it, with the digest that a signature names. */
export function reviewText(view: ReviewView): string {
  return [
    `result   ${view.resultId} (${view.rowId})`,
    `state    ${view.state}`,
    `receipt  ${view.receiptId ?? 'none'}`,
    '',
    ...view.findings.flatMap((f) => [
      `${f.severity === 'hold' ? 'held by' : 'remark '}  ${f.code} at ${f.pointer}: ${f.message}`,
      `         ${f.advice}`,
      ...(f.severity === 'hold' ? [`         clearing: ${f.clearance}; ${f.why}`] : []),
    ]),
    ...(['clear', 'refuse'] as const).map((act) => {
      const { possible, because, effects } = view.options[act];
      return `${act.padEnd(8)} ${possible ? effects.join('; ') : `not possible: ${because.join('; ')}`}`;
    }),
    ...view.signatures.map((s) => signatureText(s, s)),
    '',
    'what is signed:',
    JSON.stringify(view.shown, null, 2),
    `shown    ${view.sha256}`,
  ].join('\n');
}

/** Printed name, meaning, time with its zone, reason; and what is wrong with it. */
export function signatureText(
  manifest: SignatureManifest,
  state?: {
    readonly validity: string;
    readonly changed: readonly string[];
    readonly broken: string | null;
  },
): string {
  const notes = [
    ...(state?.validity === 'void' ? [`VOID, changed at ${state.changed.join(', ')}`] : []),
    ...(state?.broken ? [`BROKEN, ${state.broken}`] : []),
  ];
  return `signed   ${manifest.meaning} by ${manifest.printedName} (${manifest.userName}) at ${manifest.atSite} ${manifest.zone}: ${manifest.reason}${notes.length > 0 ? `; ${notes.join('; ')}` : ''}`;
}

/** The state a signed act led to, with its signature. */
export function stateText(done: {
  readonly state: string;
  readonly signature: SignatureManifest;
}): string {
  return `${done.state}\n${signatureText(done.signature)}`;
}

/** What a signed act left a receipt's statement saying. */
export interface StatedAnew {
  readonly outcome: string;
  readonly revision: number;
  readonly signature: SignatureManifest;
}

export function statedText({ outcome, revision, signature }: StatedAnew): string {
  return `${outcome}, revision ${revision}\n${signatureText(signature)}`;
}
