import { type Command, InvalidArgumentError, Option } from 'commander';
import type { InspectionLiftView, InspectionsView } from '../receipts/inspection-view.js';
import type { SignatureManifest } from '../signatures/signature.js';
import { INSPECTED_ATTRIBUTES } from '../site/vocabulary.js';
import { printAsked } from './ask-gateway.js';
import { type GatewayOptions, withGatewayOptions } from './gateway-command.js';
import { signatureText } from './review-text.js';
import { printSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

interface InspectOptions extends SigningOptions {
  readonly attribute: string;
  readonly inspected: number;
  readonly nonconforming: number;
  readonly by: string;
  readonly at: string;
}

interface Entered {
  readonly inspectionId: string;
  readonly signature: SignatureManifest;
}

/** Inspections of labels and damage, under `drumline receipt`. */
export function registerInspections(receipt: Command): void {
  withGatewayOptions(receipt.command('inspections').argument('<id>', 'receipt id'))
    .description('which inspections of labels and damage are asked for, and what was entered')
    .addHelpText('after', '\nExample:\n  drumline receipt inspections R-1001 --json')
    .action(show);
  withSigningOptions(
    receipt
      .command('inspect')
      .description('enter by signature what was counted at labels or for damage')
      .argument('<id>', 'receipt id')
      .requiredOption('--shown <sha256>', 'digest of what `receipt inspections` showed')
      .addOption(
        new Option('--attribute <name>', 'what was looked at')
          .choices(INSPECTED_ATTRIBUTES)
          .makeOptionMandatory(),
      )
      .requiredOption('--inspected <n>', 'containers looked at', count)
      .requiredOption('--nonconforming <n>', 'nonconforming ones among them', count)
      .requiredOption('--by <name>', 'who looked')
      .requiredOption('--at <time>', 'when, a date-time with offset')
      .addHelpText(
        'after',
        '\nExample:\n  drumline receipt inspect R-1001 --shown 3f… --attribute labels --inspected 32 --nonconforming 0 \\\n    --by "A. Receiver" --at 2026-07-01T09:30:00+01:00 --user robin --reason "count sheet 12"\n\nThe worst entry counts; a correction is a further one. Drumline reports; the quality unit decides.',
      ),
  ).action(inspect);
  withGatewayOptions(
    receipt
      .command('inspection')
      .description('show a count, and what lifting it would sign')
      .argument('<id>', 'receipt id')
      .argument('<inspection>', 'id of the count, as `receipt inspections` names it')
      .addHelpText('after', '\nExample:\n  drumline receipt inspection R-1001 0193…'),
  ).action(showLift);
  withSigningOptions(
    receipt
      .command('lift-inspection')
      .description('lift a count that was entered wrongly and rejects, by signature')
      .argument('<id>', 'receipt id')
      .argument('<inspection>', 'id of the count, as `receipt inspections` names it')
      .requiredOption('--shown <sha256>', 'digest of what `receipt inspection` showed')
      .requiredOption('--investigation <number>', 'reference number of the investigation')
      .addHelpText(
        'after',
        '\nExample:\n  drumline receipt lift-inspection R-1001 0193… --shown 9f86… --investigation INV-26-040 \\\n    --user q.signer --reason "0 and 10 were swapped, count sheet 12"\n\nThe count counts for nothing from then on; enter the right one. A stop stays until it is lifted.',
      ),
  ).action(liftInspection);
}

async function show(id: string, options: GatewayOptions): Promise<void> {
  await printAsked<InspectionsView>(pathOf(id), options, { text: viewText });
}

async function inspect(id: string, options: InspectOptions): Promise<void> {
  const { attribute, inspected, nonconforming, by, at } = options;
  const report = { attribute, inspected, nonconforming, inspectedBy: by, inspectedAt: at };
  await printSigned<Entered>(
    pathOf(id),
    report,
    options,
    ({ inspectionId, signature }) => `inspection ${inspectionId}\n${signatureText(signature)}`,
  );
}

async function showLift(id: string, inspection: string, options: GatewayOptions): Promise<void> {
  const path = `${liftPath(id)}?${new URLSearchParams({ inspection })}`;
  await printAsked<InspectionLiftView>(path, options, { text: liftText });
}

function liftText({ lift, shown, sha256 }: InspectionLiftView): string {
  const { possible, because, effects } = lift;
  return [
    `lift     ${possible ? effects.join('; ') : `not possible: ${because}`}`,
    '',
    'what is signed:',
    JSON.stringify(shown, null, 2),
    `shown    ${sha256}`,
  ].join('\n');
}

async function liftInspection(
  id: string,
  inspection: string,
  options: SigningOptions & { readonly investigation: string },
): Promise<void> {
  const { investigation } = options;
  await printSigned<{ readonly signature: SignatureManifest }>(
    liftPath(id),
    { inspection, investigation },
    options,
    ({ signature }) => `lifted\n${signatureText(signature)}`,
  );
}

function liftPath(id: string): string {
  return `/api/v1/receipts/${encodeURIComponent(id)}/inspection-lift`;
}

function count(text: string): number {
  if (/^\d{1,5}$/.test(text)) return Number(text);
  throw new InvalidArgumentError('expected a whole number of containers');
}

function pathOf(id: string): string {
  return `/api/v1/receipts/${encodeURIComponent(id)}/inspections`;
}

function viewText(view: InspectionsView): string {
  return [
    `${view.receiptId}  revision ${view.revision}, ${view.containers} containers`,
    ...(view.plans.length === 0 ? ['no inspection is asked for'] : []),
    ...view.plans.map((p) => {
      const asked = p.n === null ? '' : `, ${p.n} to be inspected, up to ${p.accept} accepted`;
      return `${p.attribute}: level ${p.level}, AQL ${p.aql}${asked}: ${p.state}`;
    }),
    ...view.inspections.flatMap((i) => [
      `${i.attribute}: ${i.nonconforming} of ${i.inspected} nonconforming, by ${i.inspectedBy} at ${i.inspectedAt} (${i.id})`,
      ...(i.lift === undefined ? [] : [`  lifted by ${i.lift.printedName}: ${i.lift.reason}`]),
    ]),
    `shown    ${view.sha256}`,
  ].join('\n');
}
