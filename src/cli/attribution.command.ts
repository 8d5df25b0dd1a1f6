import type { Command } from 'commander';
import type {
  AttributedPlace,
  AttributionView,
  ResultPlaceView,
  ShownAttribution,
} from '../statements/attribution-view.js';
import { printAsked, registerWaiting } from './ask-gateway.js';
import { type GatewayOptions, withGatewayOptions } from './gateway-command.js';
import { signatureText, stateText } from './review-text.js';
import { printSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

const EXAMPLE =
  '\nExample:\n  drumline review attribution result 0193…\n  drumline review attribution propose 0193… --receipt R-5002 --seen-receipt NQ2/1 --seen-container D2-01 --seen-lot NQL-2 --seen-by "L. Looker" --user r.reviewer --reason "dock log 14"\n  drumline review attribution sign 0194… --shown 9f86… --user s.second --reason "compared with the photo"';

interface ProposeOptions extends Omit<SigningOptions, 'shown'> {
  readonly receipt: string;
  readonly seenReceipt: string;
  readonly seenContainer: string;
  readonly seenLot?: string;
  readonly seenBy: string;
}

interface Proposals {
  readonly waiting: readonly ShownAttribution[];
  readonly next: string | null;
}

/** Where results belong: propose it with what the labels show, and sign or decline what others proposed. */
export function registerAttribution(review: Command): void {
  const attribution = review
    .command('attribution')
    .description('say that a result is of another receipt or container, and sign what others said')
    .addHelpText('after', EXAMPLE);
  registerWaiting<Proposals>(attribution, {
    description: 'list the proposals that wait for a second person, oldest first',
    command: 'review attribution',
    path: '/api/v1/attributions',
    text: ({ waiting }) =>
      waiting.length === 0 ? 'nothing waits' : waiting.map(attributionText).join('\n'),
  });
  registerResult(attribution);
  registerShow(attribution);
  registerPropose(attribution);
  registerDecision(attribution, 'sign', 'attribute', 'give the result its place, by signature');
  registerDecision(attribution, 'decline', 'decline', 'leave the result where it is, by signature');
}

function registerResult(attribution: Command): void {
  withGatewayOptions(
    attribution
      .command('result')
      .description('show where a result is, and everything that was said about that')
      .argument('<id>', 'row id of the result')
      .addHelpText('after', '\nExample:\n  drumline review attribution result 0193…'),
  ).action(async (id: string, options: GatewayOptions) => {
    await printAsked<ResultPlaceView>(resultPath(id), options, { text: resultText });
  });
}

function registerShow(attribution: Command): void {
  withGatewayOptions(
    attribution
      .command('show')
      .description('show a proposal, what each act would do, and the digest')
      .argument('<id>', 'id of the proposal')
      .addHelpText('after', '\nExample:\n  drumline review attribution show 0194…'),
  ).action(async (id: string, options: GatewayOptions) => {
    await printAsked<AttributionView>(proposalPath(id), options, { text: viewText });
  });
}

function registerPropose(attribution: Command): void {
  withSigningOptions(
    attribution
      .command('propose')
      .description('say what the labels show; a contrary result counts at both places from then on')
      .argument('<id>', 'row id of the result')
      .requiredOption('--receipt <id>', 'receipt it belongs to')
      .requiredOption('--seen-receipt <text>', 'what the receipt label shows')
      .requiredOption('--seen-container <label>', 'what the container shows')
      .option('--seen-lot <lot>', 'lot that the label shows')
      .requiredOption('--seen-by <name>', 'who looked at the labels')
      .addHelpText('after', EXAMPLE),
  ).action(async (id: string, options: ProposeOptions) => {
    const { receipt, seenReceipt, seenContainer, seenLot, seenBy } = options;
    const said = { receiptId: receipt, seenReceipt, seenContainer, seenLot, seenBy };
    await printSigned<{ readonly id: string }>(
      resultPath(id),
      said,
      { ...options, shown: '' },
      (done) => `proposed as ${done.id}; a second person signs it`,
    );
  });
}

function registerDecision(
  attribution: Command,
  name: string,
  act: 'attribute' | 'decline',
  description: string,
): void {
  withSigningOptions(
    attribution
      .command(name)
      .description(description)
      .argument('<id>', 'id of the proposal')
      .requiredOption('--shown <sha256>', 'digest of what `review attribution show` showed')
      .addHelpText('after', EXAMPLE),
  ).action(async (id: string, options: SigningOptions) => {
    await printSigned(proposalPath(id), { act }, options, stateText);
  });
}

function resultPath(rowId: string): string {
  return `/api/v1/results/${encodeURIComponent(rowId)}/attribution`;
}

function proposalPath(id: string): string {
  return `/api/v1/attributions/${encodeURIComponent(id)}`;
}

function placeText({ receiptId, container }: AttributedPlace): string {
  return `${receiptId ?? 'no receipt'}, container ${container ?? 'none'}`;
}

function attributionText(a: ShownAttribution): string {
  return [
    `${a.id}  ${a.state}  result ${a.rowId}: ${placeText(a.from)} -> ${placeText(a.to)}`,
    `  label  receipt "${a.label.receipt}", container "${a.label.container}", lot "${a.label.lot ?? ''}", read by ${a.label.seenBy}`,
    `  said   by ${a.proposedBy} at ${a.proposedAt}: ${a.reason}`,
    ...(a.signature === null ? [] : [`  ${signatureText(a.signature)}`]),
  ].join('\n');
}

function resultText(view: ResultPlaceView): string {
  const { inForce, scanned } = view;
  return [
    `result   ${view.resultId} (${view.rowId}), revision ${view.revision}: ${view.decision ?? 'unreadable'}${view.contrary ? ', contrary' : ''}`,
    `scanned  receipt "${scanned.receipt ?? ''}", container "${scanned.container ?? ''}", lot "${scanned.lot ?? ''}"`,
    `it is of ${placeText(view.place)}${inForce === null ? '' : inForce.isValid ? ', by signature' : `, by a signature that is void (${inForce.changed.join(', ')})`}`,
    ...view.attributions.map(attributionText),
  ].join('\n');
}

function viewText(view: AttributionView): string {
  const { options } = view;
  return [
    attributionText(view.attribution),
    `it is of ${placeText(view.place)} now`,
    ...(['attribute', 'decline'] as const).map((act) => {
      const { possible, effects, because } = options[act];
      return `${act.padEnd(9)} ${possible ? effects.join('; ') : `not possible: ${because.join('; ')}`}`;
    }),
    '',
    'what is signed:',
    JSON.stringify(view.shown, null, 2),
    `shown    ${view.sha256}`,
  ].join('\n');
}
