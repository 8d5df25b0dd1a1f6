import type { Command } from 'commander';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';

interface ResumeOptions extends GatewayOptions {
  readonly reason?: string;
  readonly show?: boolean;
  readonly unheardIsKnown?: boolean;
}

interface State {
  readonly recovering: string | null;
  readonly epoch: number;
  readonly since: string | null;
  readonly factsUntil: string | null;
  readonly notReadBack: readonly string[];
  readonly readBackNotBefore: string | null;
  readonly givenUp: readonly { readonly destination: string; readonly detail: string }[];
  readonly notListed: readonly string[];
  readonly unanswered: number;
  readonly unheardInstruments: readonly string[];
  readonly waitingStops: number;
}

export function registerResume(program: Command): void {
  withGatewayOptions(
    program
      .command('resume')
      .description('let a gateway go on that waits because its database was restored or copied')
      .option('--reason <text>', 'why; kept in the trail')
      .option(
        '--unheard-is-known',
        'go on although instruments in service were not heard from since',
      )
      .option('--show', 'only show what it waits for')
      .addHelpText(
        'after',
        '\nRefused until every destination that can be listed was read back, and every delivery of the life before\nwas answered for.\n\nExample:\n  drumline resume --reason "backup of 24 November restored, CR-114"',
      ),
  ).action(async (options: ResumeOptions) => {
    if (options.show !== true && options.reason === undefined) {
      progress('--reason: say why it may go on, or use --show');
      process.exitCode = EXIT.usage;
      return;
    }
    const answer = await requestGateway(
      commandSettings(options),
      options.show === true
        ? { method: 'GET', path: '/api/v1/instance' }
        : {
            method: 'POST',
            path: '/api/v1/instance/resume',
            body: {
              contentType: 'application/json',
              text: JSON.stringify({
                reason: options.reason,
                unheardIsKnown: options.unheardIsKnown === true,
              }),
            },
          },
    );
    const state = readAnswer(answer, options.json === true) as State | undefined;
    if (!state) return;
    if (options.json) printJsonLine(state);
    else printText(describe(state));
  });
}

function describe(state: State): string {
  if (state.recovering === null) return `epoch ${state.epoch}, not waiting`;
  const list = (names: readonly string[]) => (names.length === 0 ? 'none' : names.join(', '));
  return [
    `epoch ${state.epoch}, ${state.recovering}, waiting since ${state.since ?? ''}`,
    `last known fact            ${state.factsUntil ?? ''}`,
    `not read back yet          ${list(state.notReadBack)}`,
    ...(state.readBackNotBefore === null
      ? []
      : [`  read back not before     ${state.readBackNotBefore}`]),
    ...state.givenUp.map((of) => `  given up, begun anew     ${of.destination}: ${of.detail}`),
    `cannot be listed           ${list(state.notListed)}`,
    `deliveries without answer  ${state.unanswered}`,
    `instruments not heard      ${list(state.unheardInstruments)}`,
    `stops that wait            ${state.waitingStops}`,
  ].join('\n');
}
