import type { Command } from 'commander';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { printJsonLine, printText } from './output.js';
import { type PersonOptions, readProof, withPasswordFile } from './person-proof.js';

interface ReasonOptions extends GatewayOptions {
  readonly reason: string;
}

interface Listed {
  readonly name: string;
  readonly acts: boolean;
  readonly paused: boolean;
  readonly pauseReason: string | null;
  readonly breaker: string;
  readonly breakerUntil: string | null;
  readonly tokens: number;
  readonly ratePerSecond: number;
  readonly waiting: number;
  readonly inFlight: number;
  readonly inFlightMax: number;
  readonly parked: number;
  readonly rejected: number;
  readonly openStops: number;
}

export function registerDestination(program: Command): void {
  const destination = program
    .command('destination')
    .description('show, pause and resume destinations')
    .addHelpText(
      'after',
      '\nExample:\n  drumline destination pause erp --reason "maintenance until 18:00"',
    );

  withGatewayOptions(
    destination
      .command('list')
      .description('what stands and waits at each destination')
      .addHelpText('after', '\nExample:\n  drumline destination list --json'),
  ).action(async (options: GatewayOptions) => {
    const answer = await requestGateway(commandSettings(options), {
      method: 'GET',
      path: '/api/v1/destinations',
    });
    const listed = readAnswer(answer, options.json === true) as
      | { destinations: Listed[] }
      | undefined;
    if (!listed) return;
    if (options.json) printJsonLine(listed);
    else for (const one of listed.destinations) printText(describe(one));
  });

  registerAct(destination, 'pause', 'send nothing there but stops, until it is resumed');
  registerAct(destination, 'resume', 'send again what waited there');
  registerApprove(destination);
}

function registerAct(destination: Command, act: 'pause' | 'resume', description: string): void {
  withGatewayOptions(
    destination
      .command(act)
      .description(description)
      .argument('<name>', 'name of the destination, as the site folder has it')
      .requiredOption('--reason <text>', 'why; kept in the trail')
      .option('--digest <sha256>', 'only if it stands as it was looked at (`pauseDigest`)')
      .addHelpText(
        'after',
        `\nExample:\n  drumline destination ${act} lims --reason "maintenance"`,
      ),
  ).action(async (name: string, options: ReasonOptions & { readonly digest?: string }) => {
    const { reason, digest } = options;
    const answer = await requestGateway(commandSettings(options), {
      method: 'POST',
      path: `/api/v1/destinations/${encodeURIComponent(name)}/${act}`,
      body: {
        contentType: 'application/json',
        text: JSON.stringify({ reason, digest }),
      },
    });
    const done = readAnswer(answer, options.json === true) as
      | { paused?: 0 | 1; reason?: string | null }
      | undefined;
    if (!done) return;
    if (options.json) printJsonLine(done);
    else
      printText(done.paused === 1 ? `${name} is paused: ${done.reason ?? ''}` : `${name} goes on`);
  });
}

interface ApproveOptions extends ReasonOptions, PersonOptions {
  readonly digest?: string;
}

/** It takes a person: whoever runs the gateway judges nothing. */
function registerApprove(destination: Command): void {
  withGatewayOptions(
    withPasswordFile(
      destination
        .command('approve')
        .description('approve what it says of itself now: new conforms go there again')
        .argument('<name>', 'name of the destination, as the site folder has it')
        .requiredOption('--user <name>', 'user name of the person who approves')
        .requiredOption('--reason <text>', 'why; kept in the trail')
        .option('--digest <sha256>', 'only if it is what was looked at (`seenDigest`)'),
    ).addHelpText(
      'after',
      '\nExample:\n  drumline destination approve erp --user a.admin --reason "version 2.0 tested, CR-7"',
    ),
  ).action(async (name: string, options: ApproveOptions) => {
    const proof = await readProof(options);
    if (proof === undefined) return;
    const { reason, digest } = options;
    const answer = await requestGateway(commandSettings(options), {
      method: 'POST',
      path: `/api/v1/destinations/${encodeURIComponent(name)}/approve`,
      body: {
        contentType: 'application/json',
        text: JSON.stringify({ reason, digest, ...proof }),
      },
    });
    const done = readAnswer(answer, options.json === true) as { approved: true } | undefined;
    if (!done) return;
    if (options.json) printJsonLine(done);
    else printText(`${name}: approved`);
  });
}

function describe(one: Listed): string {
  const pause = one.paused ? `paused (${one.pauseReason ?? ''})` : 'open';
  const breaker =
    one.breaker === 'closed'
      ? ''
      : `  breaker ${one.breaker}${one.breakerUntil === null ? '' : ` until ${one.breakerUntil}`}`;
  const work = [
    `waiting ${one.waiting}`,
    `in flight ${one.inFlight}/${one.inFlightMax}`,
    `parked ${one.parked}`,
    `rejected ${one.rejected}`,
    `stops not shown ${one.openStops}`,
    `tokens ${one.tokens}/${one.ratePerSecond}`,
  ];
  return `${one.name}${one.acts ? ' (acts)' : ''}  ${pause}${breaker}  ${work.join('  ')}`;
}
