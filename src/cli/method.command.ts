import { readFileSync } from 'node:fs';
import type { Command } from 'commander';
import type { MethodSummary, MethodView } from '../methods/method-view.js';
import type { SignatureManifest } from '../signatures/signature.js';
import { printAnswer, printAsked } from './ask-gateway.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, progress } from './output.js';
import { type PersonOptions, readProof, withPasswordFile } from './person-proof.js';
import { signatureText } from './review-text.js';
import { printSigned, type SigningOptions, withSigningOptions } from './signing-command.js';

const EXAMPLE =
  '\nExample:\n  drumline method list\n  drumline method propose --file ID-NQ-1001-2.json --user m.editor\n  drumline method show ID-NQ-1001 2 --act approve\n  drumline method approve ID-NQ-1001 2 --shown 9f86… --user q.signer --reason "validated, report VR-014"';

interface MethodPage {
  readonly methods: readonly MethodSummary[];
  readonly next: string | null;
}

interface ActView {
  readonly act: string;
  readonly option: {
    readonly possible: boolean;
    readonly because: readonly string[];
    readonly effects: readonly string[];
  };
  readonly resting: readonly string[];
  readonly shown: unknown;
  readonly sha256: string;
}

interface ActDone {
  readonly method: MethodSummary;
  readonly stopped: readonly string[];
  readonly signature: SignatureManifest;
}

/** The method registry: what is in it, proposals, and the signed acts about a version. */
export function registerMethod(program: Command): void {
  const method = program
    .command('method')
    .description('look at the versions of methods, propose one, approve, retire or invalidate one')
    .addHelpText('after', EXAMPLE);
  registerList(method);
  registerShow(method);
  registerPropose(method);
  registerAct(
    method,
    'approve',
    'put a proposed version in force, by signature of a second person',
  );
  registerAct(method, 'retire', 'end a version; what was measured before goes on to count');
  registerAct(method, 'invalidate', 'say that a version was wrong: nothing measured by it counts');
}

function registerList(method: Command): void {
  withGatewayOptions(
    method
      .command('list')
      .description('list every version with its state and dates')
      .addHelpText('after', '\nExample:\n  drumline method list --json'),
  ).action(async (options: GatewayOptions) => {
    const methods: MethodSummary[] = [];
    for (let after: string | null = ''; after !== null; ) {
      const query: string = after === '' ? '' : `?after=${encodeURIComponent(after)}`;
      const page = (await ask(`/api/v1/methods${query}`, options)) as MethodPage | undefined;
      if (!page) return;
      methods.push(...page.methods);
      after = page.next;
    }
    printAnswer({ methods }, options, () => methods.map(summaryText).join('\n'));
  });
}

function registerShow(method: Command): void {
  withGatewayOptions(
    method
      .command('show')
      .description(
        'show a version: content, dates, what became of it; with --act what it would sign',
      )
      .argument('<id>', 'method id')
      .argument('<version>', 'version')
      .option('--act <act>', 'approve, retire or invalidate')
      .option('--at <instant>', 'of retire: first instant it is not in force any more')
      .addHelpText(
        'after',
        '\nExample:\n  drumline method show ID-NQ-1001 1\n  drumline method show ID-NQ-1001 1 --act retire --at 2026-03-04T12:00:00Z',
      ),
  ).action(
    async (
      id: string,
      version: string,
      options: GatewayOptions & { readonly act?: string; readonly at?: string },
    ) => {
      if (options.act === undefined) {
        await printAsked<MethodView>(pathOf(id, version), options, {
          text: (view) => `${summaryText(view)}\n${JSON.stringify(view, null, 2)}`,
        });
        return;
      }
      const query = options.at === undefined ? '' : `?at=${encodeURIComponent(options.at)}`;
      const path = `${pathOf(id, version)}/acts/${encodeURIComponent(options.act)}${query}`;
      await printAsked<ActView>(path, options, {
        text: actText,
        isOpen: ({ option }) => !option.possible,
      });
    },
  );
}

function registerPropose(method: Command): void {
  withGatewayOptions(
    withPasswordFile(
      method
        .command('propose')
        .description('propose a version; nothing is judged by it before it is approved')
        .requiredOption('--file <json>', 'the version, see docs/methods.md')
        .requiredOption('--user <name>', 'user name of who proposes it; somebody else approves it'),
    ).addHelpText(
      'after',
      '\nExample:\n  drumline method propose --file ID-NQ-1001-2.json --user m.editor',
    ),
  ).action(async (options: ProposeOptions) => {
    const read = readProposalFile(options.file);
    if (typeof read === 'string') {
      progress(read);
      process.exitCode = EXIT.usage;
      return;
    }
    const proof = await readProof(options);
    if (proof === undefined) return;
    const answer = await requestGateway(commandSettings(options), {
      method: 'PUT',
      path: pathOf(read.id, read.version),
      body: { contentType: 'application/json', text: withMembers(read.text, proof) },
    });
    const view = readAnswer(answer, options.json === true) as MethodSummary | undefined;
    if (view) printAnswer(view, options, summaryText);
  });
}

interface ProposeOptions extends GatewayOptions, PersonOptions {
  readonly file: string;
}

/** An object's text with further members in front; the rest stays as it is written, numbers and members twice too. */
function withMembers(text: string, members: object): string {
  const start = text.indexOf('{') + 1;
  const rest = text.slice(start);
  const comma = rest.trimStart().startsWith('}') ? '' : ',';
  return `${text.slice(0, start)}${JSON.stringify(members).slice(1, -1)}${comma}${rest}`;
}

function registerAct(method: Command, act: string, description: string): void {
  const command = method
    .command(act)
    .description(description)
    .argument('<id>', 'method id')
    .argument('<version>', 'version')
    .requiredOption('--shown <sha256>', `digest of what \`method show --act ${act}\` showed`)
    .addHelpText('after', EXAMPLE);
  if (act === 'retire') {
    command.requiredOption('--at <instant>', 'first instant it is not in force any more');
  }
  withSigningOptions(command).action(
    async (id: string, version: string, options: SigningOptions & { readonly at?: string }) => {
      const fields = options.at === undefined ? {} : { at: options.at };
      await printSigned(`${pathOf(id, version)}/acts/${act}`, fields, options, doneText);
    },
  );
}

function doneText({ method, stopped, signature }: ActDone): string {
  const receipts = stopped.length === 0 ? 'none' : stopped.join(', ');
  return `${summaryText(method)}\nreceipts stopped: ${receipts}\n${signatureText(signature)}`;
}

async function ask(path: string, options: GatewayOptions): Promise<unknown> {
  const answer = await requestGateway(commandSettings(options), { method: 'GET', path });
  return readAnswer(answer, options.json === true);
}

function pathOf(id: string, version: string): string {
  return `/api/v1/methods/${encodeURIComponent(id)}/${encodeURIComponent(version)}`;
}

/** The file's text with the version it names; what is wrong with it in words. */
function readProposalFile(
  file: string,
): { readonly text: string; readonly id: string; readonly version: string } | string {
  let text: string;
  let value: unknown;
  try {
    text = readFileSync(file, 'utf8');
    value = JSON.parse(text);
  } catch (error) {
    return `${file} cannot be read as JSON: ${error instanceof Error ? error.message : String(error)}`;
  }
  const { id, version } = (value ?? {}) as { readonly id?: unknown; readonly version?: unknown };
  return typeof id === 'string' && typeof version === 'string'
    ? { text, id, version }
    : `${file} names no id and version of a method`;
}

function summaryText(m: MethodSummary): string {
  const from = m.effectiveFrom === null ? 'since ever' : `from ${m.effectiveFrom}`;
  const to = m.retiredAt === null ? '' : ` to ${m.retiredAt}`;
  const by = m.approvals.map((a) => `${a.by} ${a.id}`).join(', ') || 'nobody';
  return `${m.id} version ${m.version}  ${m.state}, ${from}${to}; material ${m.material}, approved by ${by}`;
}

function actText(view: ActView): string {
  const { possible, because, effects } = view.option;
  return [
    `${view.act}  ${possible ? effects.join('; ') : `not possible: ${because.join('; ')}`}`,
    `conforming receipts that rest on it: ${view.resting.length === 0 ? 'none' : view.resting.join(', ')}`,
    '',
    'what is signed:',
    JSON.stringify(view.shown, null, 2),
    `shown    ${view.sha256}`,
  ].join('\n');
}
