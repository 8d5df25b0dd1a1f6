import type { Command } from 'commander';
import type { ActReport } from '../delivery/delivery-act-answer.js';
import type { DeliveryPage, ShownDelivery, StoppedCount } from '../delivery/shown-delivery.js';
import type { DeliveryAct } from '../storage/tables.js';
import { countsText, deliveryLine, pageText, reportText } from './delivery-text.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';
import { readProof, withPasswordFile } from './person-proof.js';

const PATH = '/api/v1/deliveries';

interface Listed {
  readonly counts: readonly StoppedCount[];
  readonly deliveries: readonly ShownDelivery[];
  readonly after: string | null;
}

interface ListOptions extends GatewayOptions {
  readonly destination?: string;
  readonly fault?: string;
  readonly after?: string;
}

interface ActOptions extends ListOptions {
  readonly reason: string;
  readonly user: string;
  readonly passwordFile?: string;
  readonly shown?: string;
  readonly all?: boolean;
}

/** Deliveries that stopped: looking at them, and having them sent again, built anew or given up. */
export function registerDelivery(program: Command): void {
  const delivery = program
    .command('delivery')
    .description('look at deliveries that stopped, and have them sent again or built anew')
    .addHelpText(
      'after',
      '\nExample:\n  drumline delivery rebuild 0193… --user r.reviewer --reason "mapping corrected, CR-12"',
    );
  withGatewayOptions(
    withFilter(delivery.command('list'))
      .description('what waits for a person, and why')
      .option('--after <id>', 'go on behind this delivery')
      .addHelpText('after', '\nExample:\n  drumline delivery list --destination lims'),
  ).action(async (options: ListOptions) => {
    const listed = await list(options);
    if (!listed) return;
    if (options.json) printJsonLine(listed);
    else printText([countsText(listed.counts), ...listed.deliveries.map(deliveryLine)].join('\n'));
  });
  withGatewayOptions(
    delivery
      .command('show')
      .description('one delivery with its attempts, and what may be done with it')
      .argument('<id>', 'id of the delivery')
      .addHelpText('after', '\nExample:\n  drumline delivery show 0193…'),
  ).action(async (id: string, options: GatewayOptions) => {
    const page = await show(id, options);
    if (!page) return;
    if (options.json) printJsonLine(page);
    else printText(pageText(page));
  });
  registerAct(
    delivery,
    'resend',
    'send the same message again under its key; where in doubt, ask first',
  );
  registerAct(delivery, 'rebuild', 'make a new message from the record by the mapping in force');
  registerAct(delivery, 'retire', 'give up what no longer says what stands');
  registerPlan(delivery);
}

function withFilter(command: Command): Command {
  return command
    .option('--destination <name>', 'only of this destination')
    .option('--fault <code>', 'only with this cause');
}

function registerAct(delivery: Command, act: DeliveryAct, description: string): void {
  withGatewayOptions(
    withPasswordFile(
      withFilter(delivery.command(act))
        .description(description)
        .argument('[id]', 'id of the delivery; left out with --all')
        .option('--all', 'everything listed of one --destination with one --fault, 100 at most')
        .option('--shown <version>', 'only if it is as `delivery show` showed it')
        .requiredOption('--user <name>', 'user name of the person who decides')
        .requiredOption('--reason <text>', 'why; kept in the trail'),
    ).addHelpText(
      'after',
      `\nExample:\n  drumline delivery ${act} 0193… --user r.reviewer --reason "looked at by QC, log 12"`,
    ),
  ).action(async (id: string | undefined, options: ActOptions) => {
    if ((id === undefined) !== (options.all === true)) {
      usage('name one delivery, or --all with --destination and --fault');
      return;
    }
    if (id !== undefined) await actOnOne(act, id, options);
    else if (options.destination === undefined || options.fault === undefined) {
      usage('--all takes one --destination and one --fault');
    } else await actOnAll(act, options);
  });
}

interface Planned {
  readonly planned: readonly {
    readonly resultId: string;
    readonly destination: string;
    readonly done: 'planned' | 'taken-back' | 'withdrawn';
    /** Of what is withdrawn. */
    readonly revision?: number;
  }[];
  readonly withoutMessage: readonly string[];
  readonly withoutWithdrawal: readonly string[];
  readonly byHand: readonly {
    readonly resultId: string;
    readonly destination: string;
    readonly revision: number;
    readonly receiptId: string | null;
    readonly overtakenBy: number;
  }[];
}

function registerPlan(delivery: Command): void {
  withGatewayOptions(
    withPasswordFile(
      delivery
        .command('plan')
        .description(
          'send results of a receipt where the site requires them and they never went, or were never withdrawn',
        )
        .argument('<receipt>', 'id of the receipt')
        .requiredOption('--user <name>', 'user name of the person who decides')
        .requiredOption('--reason <text>', 'why; kept in the trail'),
    ).addHelpText(
      'after',
      '\nExample:\n  drumline delivery plan R-5001 --user a.admin --reason "archive is required since CR-14"',
    ),
  ).action(async (receiptId: string, options: ActOptions) => {
    const path = `/api/v1/receipts/${encodeURIComponent(receiptId)}/deliveries`;
    const answer = (await post(path, {}, options)) as Planned | undefined;
    if (!answer) return;
    const { withoutMessage, withoutWithdrawal, byHand } = answer;
    const left = withoutMessage.length + withoutWithdrawal.length + byHand.length;
    if (left > 0) process.exitCode = EXIT.problems;
    if (options.json) printJsonLine(answer);
    else printText(plannedText(answer));
  });
}

function plannedText({ planned, withoutMessage, withoutWithdrawal, byHand }: Planned): string {
  const lines = [
    ...planned.map(plannedLine),
    ...withoutMessage.map((name) => `${name}: its mapping has no message for results`),
    ...withoutWithdrawal.map(
      (name) =>
        `${name}: has an older revision and its mapping has no withdrawal; add one, then plan again`,
    ),
    ...byHand.map(
      ({ resultId, destination, revision, receiptId, overtakenBy }) =>
        `${resultId}: ${destination} was sent revision ${overtakenBy} behind revision ${revision}, which is of receipt ${receiptId ?? 'unknown'} and was never withdrawn; a withdrawal now would come too late: have the quality unit take revision ${revision} out there by hand`,
    ),
  ];
  return lines.length === 0 ? 'nothing is missing' : lines.join('\n');
}

function plannedLine({
  resultId,
  destination,
  done,
  revision,
}: Planned['planned'][number]): string {
  switch (done) {
    case 'planned':
      return `${resultId}: goes to ${destination}`;
    case 'withdrawn':
      return `${resultId}: ${destination} is told that revision ${revision} is withdrawn`;
    case 'taken-back':
      return `${resultId}: was taken back; ${destination} is not told of it`;
  }
}

async function actOnOne(act: DeliveryAct, id: string, options: ActOptions): Promise<void> {
  const version = options.shown ?? (await show(id, options))?.delivery.version;
  if (version === undefined) return;
  const done = (await post(`${PATH}/${encodeURIComponent(id)}/${act}`, { version }, options)) as
    | { readonly done: string; readonly deliveryId: string }
    | undefined;
  if (!done) return;
  if (options.json) printJsonLine(done);
  else printText(`${id}: ${done.done}${done.deliveryId === id ? '' : `, as ${done.deliveryId}`}`);
}

async function actOnAll(act: DeliveryAct, options: ActOptions): Promise<void> {
  const listed = await list(options);
  if (!listed) return;
  if (listed.deliveries.length === 0) {
    if (options.json) printJsonLine({ act, deliveries: [] });
    else printText('nothing of this kind waits');
    return;
  }
  const deliveries = listed.deliveries.map(({ id, version }) => ({ id, version }));
  const answer = (await post(`${PATH}/acts`, { act, deliveries }, options)) as
    | { readonly deliveries: readonly ActReport[] }
    | undefined;
  if (!answer) return;
  if (options.json) printJsonLine(answer);
  else printText(answer.deliveries.map(reportText).join('\n'));
  if (answer.deliveries.some((report) => !report.isDone)) process.exitCode = EXIT.problems;
}

async function list(options: ListOptions): Promise<Listed | undefined> {
  const query = new URLSearchParams();
  for (const name of ['destination', 'fault', 'after'] as const) {
    const value = options[name];
    if (value !== undefined) query.set(name, value);
  }
  const answer = await requestGateway(commandSettings(options), {
    method: 'GET',
    path: `${PATH}?${query.toString()}`,
  });
  return readAnswer(answer, options.json === true) as Listed | undefined;
}

async function show(id: string, options: GatewayOptions): Promise<DeliveryPage | undefined> {
  const answer = await requestGateway(commandSettings(options), {
    method: 'GET',
    path: `${PATH}/${encodeURIComponent(id)}`,
  });
  return readAnswer(answer, options.json === true) as DeliveryPage | undefined;
}

/** It takes a person: whoever runs the gateway judges nothing. */
async function post(
  path: string,
  fields: Readonly<Record<string, unknown>>,
  options: ActOptions,
): Promise<unknown> {
  const proof = await readProof(options);
  if (proof === undefined) return undefined;
  const answer = await requestGateway(commandSettings(options), {
    method: 'POST',
    path,
    body: {
      contentType: 'application/json',
      text: JSON.stringify({ ...fields, reason: options.reason, ...proof }),
    },
  });
  return readAnswer(answer, options.json === true);
}

function usage(message: string): void {
  progress(message);
  process.exitCode = EXIT.usage;
}
