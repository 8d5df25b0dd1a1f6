import type { Command } from 'commander';
import type { SiteDecisionSummary, SiteDecisionView } from '../pipeline/site-decisions.service.js';
import type { SignatureManifest } from '../signatures/signature.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { printJsonLine, printText } from './output.js';
import { signatureText } from './review-text.js';
import { postSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

const EXAMPLE =
  '\nExample:\n  drumline decision list\n  drumline decision show D-002\n  drumline decision sign D-002 --shown 9f86… --user q.signer --reason "sampling plan SOP-014 in force"';

/** Decisions of the site folder: how they stand, what is signed, and the signature. */
export function registerDecision(program: Command): void {
  const decision = program
    .command('decision')
    .description('look at the decisions of the site folder and sign one')
    .addHelpText('after', EXAMPLE);
  withGatewayOptions(
    decision
      .command('list')
      .description('list every decision: unsigned, signed, or signed and changed since')
      .addHelpText('after', '\nExample:\n  drumline decision list --json'),
  ).action(async (options: GatewayOptions) => {
    const list = (await ask('/api/v1/decisions', options)) as
      | { readonly decisions: readonly SiteDecisionSummary[] }
      | undefined;
    if (!list) return;
    if (options.json) printJsonLine(list);
    else printText(list.decisions.map(summaryText).join('\n'));
  });
  withGatewayOptions(
    decision
      .command('show')
      .description('show a decision with everything that rests on it: what a signature is of')
      .argument('<id>', 'decision id')
      .addHelpText('after', '\nExample:\n  drumline decision show D-002'),
  ).action(async (id: string, options: GatewayOptions) => {
    const view = (await ask(pathOf(id), options)) as SiteDecisionView | undefined;
    if (!view) return;
    if (options.json) printJsonLine(view);
    else printText(viewText(view));
  });
  withSigningOptions(
    decision
      .command('sign')
      .description('sign a decision as it was shown; void once anything of it reads differently')
      .argument('<id>', 'decision id')
      .requiredOption('--shown <sha256>', 'digest of what `decision show` showed')
      .addHelpText('after', EXAMPLE),
  ).action(async (id: string, options: SigningOptions) => {
    const done = (await postSigned(pathOf(id), {}, options)) as
      | { readonly decision: SiteDecisionSummary; readonly signature: SignatureManifest }
      | undefined;
    if (!done) return;
    if (options.json) printJsonLine(done);
    else printText(`${summaryText(done.decision)}\n${signatureText(done.signature)}`);
  });
}

async function ask(path: string, options: GatewayOptions): Promise<unknown> {
  const answer = await requestGateway(commandSettings(options), { method: 'GET', path });
  return readAnswer(answer, options.json === true);
}

function pathOf(id: string): string {
  return `/api/v1/decisions/${encodeURIComponent(id)}`;
}

function summaryText(d: SiteDecisionSummary): string {
  const by = d.signature === null ? '' : ` (${d.signature.printedName}, ${d.signature.atSite})`;
  const changed = d.changed.length === 0 ? '' : `, changed at ${d.changed.join(', ')}`;
  return `${d.id}  ${d.state}${by}${changed}; ${d.rule}, decided by ${d.decidedBy}, ${d.date}: ${d.reason}`;
}

function viewText(view: SiteDecisionView): string {
  return [
    summaryText(view),
    '',
    'what is signed:',
    JSON.stringify(view.shown, null, 2),
    `shown    ${view.sha256}`,
  ].join('\n');
}
