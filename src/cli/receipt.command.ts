import type { Command } from 'commander';
import { uuidv7 } from 'uuidv7';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { registerInspections } from './inspection.command.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';

interface ChangeOptions extends GatewayOptions {
  readonly reason: string;
}

interface RelabelOptions extends ChangeOptions {
  readonly from: string;
  readonly to: string;
  readonly witness: string;
}

interface PartsOptions extends ChangeOptions {
  readonly part: readonly string[];
}

interface MergeOptions extends PartsOptions {
  readonly scanText?: string;
}

export function registerReceipt(program: Command): void {
  const receipt = program
    .command('receipt')
    .description('look at a receipt line and change it by what is no announcement')
    .addHelpText(
      'after',
      '\nExample:\n  drumline receipt show R-1001\n\nEvery change keeps the history, and stops a statement it makes untrue.\nDrumline reports; the quality unit releases.',
    );
  withGatewayOptions(receipt.command('show').argument('<id>', 'receipt id'))
    .description('what is in force of a receipt, and where its containers came from and went to')
    .addHelpText('after', '\nExample:\n  drumline receipt show R-1001 --json')
    .action(show);
  withReason(receipt.command('cancel').argument('<id>', 'receipt id'))
    .description('cancel a receipt; its results stay, and it never conforms')
    .addHelpText('after', '\nExample:\n  drumline receipt cancel R-1001 --reason "sent back"')
    .action((id: string, options: ChangeOptions) => change(id, 'cancel', options, {}));
  withReason(receipt.command('relabel').argument('<id>', 'receipt id'))
    .description('record that a label was printed anew; the old one names the same container')
    .requiredOption('--from <label>', 'label as it was')
    .requiredOption('--to <label>', 'label as it is now')
    .requiredOption('--witness <name>', 'second person who watched')
    .addHelpText(
      'after',
      '\nExample:\n  drumline receipt relabel R-1001 --from C-007 --to C-007A --witness "B. Second" --reason "torn off"',
    )
    .action((id: string, options: RelabelOptions) => {
      const { from, to, witness } = options;
      return change(id, 'relabel', options, { from, to, witness });
    });
  withReason(receipt.command('split').argument('<id>', 'receipt id'))
    .description('split a receipt; every container goes to exactly one part')
    .requiredOption('--part <id=labels>', 'new receipt id and its labels or ranges', collect, [])
    .addHelpText(
      'after',
      '\nExample:\n  drumline receipt split R-1001 --reason "drum 7 rejected" \\\n    --part "R-1001A=C-001..C-006;C-008..C-040" --part "R-1001B=C-007"',
    )
    .action(split);
  withReason(receipt.command('merge').argument('<id>', 'receipt id of the whole, a new one'))
    .description('merge receipts of the same material, supplier and lot')
    .requiredOption('--part <id>', 'receipt that goes into it; twice or more', collect, [])
    .option('--scan-text <text>', 'what a scan of its label shows (default: the receipt id)')
    .addHelpText(
      'after',
      '\nExample:\n  drumline receipt merge R-1003 --part R-1001 --part R-1002 --reason "one lot"',
    )
    .action((id: string, options: MergeOptions) => {
      const scanText = options.scanText === undefined ? {} : { scanText: options.scanText };
      return change(id, 'merge', options, { parts: options.part, ...scanText });
    });
  registerInspections(receipt);
}

function withReason(command: Command): Command {
  return withGatewayOptions(
    command.requiredOption('--reason <text>', 'why, for the trail; three characters or more'),
  );
}

function collect(value: string, before: readonly string[]): string[] {
  return [...before, value];
}

function pathOf(id: string): string {
  return `/api/v1/receipts/${encodeURIComponent(id)}`;
}

async function show(id: string, options: GatewayOptions): Promise<void> {
  const answer = await requestGateway(commandSettings(options), {
    method: 'GET',
    path: pathOf(id),
  });
  const shown = readAnswer(answer, options.json === true) as ShownReceipt | undefined;
  if (!shown) return;
  if (options.json) printJsonLine(shown);
  else printText(receiptText(shown));
}

async function split(id: string, options: PartsOptions): Promise<void> {
  const parts = options.part.map((part) => {
    const at = part.indexOf('=');
    return {
      receiptId: part.slice(0, at).trim(),
      containers: part
        .slice(at + 1)
        .split(';')
        .map((label) => label.trim()),
      isWhole: at > 0,
    };
  });
  const wrong = parts.findIndex((part) => !part.isWhole);
  if (wrong !== -1) {
    progress(`--part ${options.part[wrong]}: expected RECEIPT=LABEL;LABEL`);
    process.exitCode = EXIT.usage;
    return;
  }
  const body = parts.map(({ receiptId, containers }) => ({ receiptId, containers }));
  await change(id, 'split', options, { parts: body });
}

async function change(
  id: string,
  name: 'cancel' | 'relabel' | 'split' | 'merge',
  options: ChangeOptions,
  fields: object,
): Promise<void> {
  const answer = await requestGateway(commandSettings(options), {
    method: 'POST',
    path: `${pathOf(id)}/${name}`,
    headers: { 'idempotency-key': uuidv7() },
    body: {
      contentType: 'application/json',
      text: JSON.stringify({ reason: options.reason, ...fields }),
    },
  });
  const done = readAnswer(answer, options.json === true) as { receipts: Changed[] } | undefined;
  if (!done) return;
  if (options.json) printJsonLine(done);
  else
    for (const r of done.receipts) printText(`${r.receiptId}  ${r.status}, revision ${r.revision}`);
}

interface Changed {
  readonly receiptId: string;
  readonly revision: number;
  readonly status: string;
}

interface ShownReceipt extends Changed {
  readonly material: string | null;
  readonly supplierLot: string | null;
  readonly siteLot: string | null;
  readonly dockCount: number | null;
  readonly scanText: string;
  readonly containers: readonly string[];
  readonly plan: { readonly kind: string; readonly required: number } | null;
  readonly keptBack: readonly string[];
  readonly comesFrom: readonly { readonly receiptId: string; readonly as: string }[];
  readonly wentTo: readonly { readonly receiptId: string; readonly as: string }[];
  readonly relabelled: readonly {
    readonly from: string;
    readonly to: string;
    readonly witness: string;
  }[];
}

const LABELS_SHOWN_MAX = 20;

function receiptText(r: ShownReceipt): string {
  const some = r.containers.slice(0, LABELS_SHOWN_MAX).join(', ');
  const more = r.containers.length - LABELS_SHOWN_MAX;
  return [
    `${r.receiptId}  ${r.status}, revision ${r.revision}`,
    `material ${r.material ?? 'not known'}, supplier's lot ${r.supplierLot ?? 'not known'}, site lot ${r.siteLot ?? 'not known'}`,
    `scan text "${r.scanText}"`,
    `${r.containers.length} containers, ${r.dockCount ?? 'not'} counted at the dock: ${some}${more > 0 ? ` and ${more} more` : ''}`,
    r.plan ? `plan ${r.plan.kind}: ${r.plan.required} to be measured` : 'no sampling plan',
    ...r.keptBack.map((kept) => `kept: ${kept}`),
    ...r.comesFrom.map((from) => `came from ${from.receiptId} (${from.as})`),
    ...r.wentTo.map((to) => `went to ${to.receiptId} (${to.as})`),
    ...r.relabelled.map((l) => `label "${l.from}" is "${l.to}" now, witness ${l.witness}`),
  ].join('\n');
}
