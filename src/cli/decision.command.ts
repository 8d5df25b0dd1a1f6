import type { Command } from 'commander';
import type { SiteDecisionSummary, SiteDecisionView } from '../pipeline/site-decisions.service.js';
import type { SignatureManifest } from '../signatures/signature.js';
import { printAsked } from './ask-gateway.js';
import { type GatewayOptions, withGatewayOptions } from './gateway-command.js';
import { signatureText } from './review-text.js';
import { printSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

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
    await printAsked<{ readonly decisions: readonly SiteDecisionSummary[] }>(
      '/api/v1/decisions',
      options,
      { text: ({ decisions }) => decisions.map(summaryText).join('\n') },
    );
  });
  withGatewayOptions(
    decision
      .command('show')
      .description('show a decision with everything that rests on it: what a signature is of')
      .argument('<id>', 'decision id')
      .addHelpText('after', '\nExample:\n  drumline decision show D-002'),
  ).action(async (id: string, options: GatewayOptions) => {
    await printAsked<SiteDecisionView>(pathOf(id), options, { text: viewText });
  });
  withSigningOptions(
    decision
      .command('sign')
      .description('sign a decision as it was shown; void once anything of it reads differently')
      .argument('<id>', 'decision id')
      .requiredOption('--shown <sha256>', 'digest of what `decision show` showed')
      .addHelpText('after', EXAMPLE),
  ).action(async (id: string, options: SigningOptions) => {
    await printSigned<{
      readonly decision: SiteDecisionSummary;
      readonly signature: SignatureManifest;
    }>(
      pathOf(id),
      {},
      options,
      (done) => `${summaryText(done.decision)}\n${signatureText(done.signature)}`,
    );
  });
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
