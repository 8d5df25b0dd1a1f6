import type { Command } from 'commander';
import type { LostStopView } from '../statements/lost-stop.js';
import type { StopLiftView } from '../statements/stop-lift-view.js';
import { printAsked } from './ask-gateway.js';
import { type GatewayOptions, withGatewayOptions } from './gateway-command.js';
import { type StatedAnew, signatureText, statedText } from './review-text.js';
import { printSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

const EXAMPLE =
  '\nExample:\n  drumline stop show R-5001\n  drumline stop lift R-5001 --stop 0193… --shown 9f86… --investigation INV-26-014 --user q.signer --reason "drum 2 measured again under INV-26-014"';

/** Stops of a receipt: look at them, and lift the one in force by signature. */
export function registerStop(program: Command): void {
  const stop = program
    .command('stop')
    .description('look at the stops of a receipt, lift the one in force, acknowledge lost ones')
    .addHelpText('after', EXAMPLE);
  withGatewayOptions(
    stop
      .command('show')
      .description('show every stop of a receipt, and what lifting the one in force would sign')
      .argument('<receipt>', 'receipt id')
      .addHelpText(
        'after',
        '\nExample:\n  drumline stop show R-5001\n\nExit: 0 none is in force, 1 one is, 2 wrong usage.',
      ),
  ).action(async (id: string, options: GatewayOptions) => {
    const path = `/api/v1/receipts/${encodeURIComponent(id)}/stops`;
    await printAsked<StopLiftView>(path, options, {
      text: viewText,
      isOpen: ({ inForce }) => inForce !== null,
    });
  });
  withSigningOptions(
    stop
      .command('lift')
      .description('lift the stop in force, by signature, under an investigation')
      .argument('<receipt>', 'receipt id')
      .requiredOption('--stop <id>', 'the stop in force, as `stop show` names it')
      .requiredOption('--shown <sha256>', 'digest of what `stop show` showed')
      .requiredOption('--investigation <number>', 'reference number of the investigation')
      .addHelpText('after', EXAMPLE),
  ).action(
    async (id: string, options: SigningOptions & { stop: string; investigation: string }) => {
      const path = `/api/v1/receipts/${encodeURIComponent(id)}/stops/lift`;
      const { stop: named, investigation } = options;
      await printSigned<StatedAnew>(
        path,
        { stop: named, investigation },
        options,
        (done) => `lifted; ${statedText(done)}`,
      );
    },
  );
  registerLost(stop);
}

function registerLost(stop: Command): void {
  withGatewayOptions(
    stop
      .command('lost')
      .description('show the stops of a receipt that destinations hold and a restore lost here')
      .argument('<receipt>', 'receipt id')
      .addHelpText(
        'after',
        '\nExample:\n  drumline stop lost R-5001\n\nExit: 0 there is none, 1 there are some, 2 wrong usage.',
      ),
  ).action(async (id: string, options: GatewayOptions) => {
    await printAsked<LostStopView>(lostPath(id), options, {
      text: lostText,
      isOpen: ({ lost }) => lost.length > 0,
    });
  });
  withSigningOptions(
    stop
      .command('acknowledge')
      .description('acknowledge by signature the stops that a restore lost, under an investigation')
      .argument('<receipt>', 'receipt id')
      .requiredOption('--shown <sha256>', 'digest of what `stop lost` showed')
      .requiredOption('--investigation <number>', 'reference number of the investigation')
      .addHelpText(
        'after',
        '\nExample:\n  drumline stop acknowledge R-5001 --shown 9f86… --investigation INV-26-051 --user q.signer --reason "drum 3 was added that day and is measured again"',
      ),
  ).action(async (id: string, options: SigningOptions & { investigation: string }) => {
    const { investigation } = options;
    await printSigned<StatedAnew>(
      lostPath(id),
      { investigation },
      options,
      (done) => `acknowledged; ${statedText(done)}`,
    );
  });
}

function lostPath(receiptId: string): string {
  return `/api/v1/receipts/${encodeURIComponent(receiptId)}/stops/lost`;
}

function lostText(view: LostStopView): string {
  const { possible, because, effects } = view.acknowledge;
  return [
    `receipt  ${view.receiptId}`,
    ...(view.lost.length === 0 ? ['No destination holds a stop of it that is unknown here.'] : []),
    ...view.lost.map(
      (stop) =>
        `lost     ${stop.destination} holds revision ${stop.revision ?? 'unknown'} under ${stop.identity}, since ${stop.heldAt ?? 'an unknown time'}`,
    ),
    `acknowledge  ${possible ? effects.join('; ') : `not possible: ${because.join('; ')}`}`,
    '',
    'what is signed:',
    JSON.stringify(view.shown, null, 2),
    `shown    ${view.sha256}`,
  ].join('\n');
}

function viewText(view: StopLiftView): string {
  const { possible, because, effects } = view.lift;
  return [
    `receipt  ${view.receiptId}`,
    ...(view.stops.length === 0 ? ['It has no stop.'] : []),
    ...view.stops.flatMap((stop) => [
      `stop     ${stop.stopId}  ${stop.kind}, revision ${stop.statementRevision}, issued ${stop.issuedAt}`,
      `         ${stop.reason}`,
      `         ${stop.effectiveAt === null ? 'not effective yet' : `effective ${stop.effectiveAt}`}; ${stop.liftedAt === null ? 'in force' : `lifted ${stop.liftedAt}, investigation ${stop.investigation ?? ''}`}`,
      ...(stop.signature === null ? [] : [signatureText(stop.signature)]),
    ]),
    '',
    `lift     ${possible ? effects.join('; ') : `not possible: ${because.join('; ')}`}`,
    ...(view.shown === null
      ? []
      : ['', 'what is signed:', JSON.stringify(view.shown, null, 2), `shown    ${view.sha256}`]),
  ].join('\n');
}
