import type { Command } from 'commander';
import type { TraceCandidate, TraceEvent } from '../statements/trace-view.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';

interface Trace {
  readonly candidates: readonly TraceCandidate[];
  readonly of: TraceCandidate | null;
  readonly related: readonly TraceCandidate[];
  readonly isCut: boolean;
  readonly events: readonly TraceEvent[];
  readonly next: number | null;
}

/** `drumline trace X`: from any name of a thing to its whole story, in order. */
export function registerTrace(program: Command): void {
  withGatewayOptions(
    program
      .command('trace')
      .description(
        'tell the whole story of a receipt or bundle, from a container label, result, delivery, number or lot',
      )
      .argument('<term>', 'exactly as it is written')
      .option('--as <kind:id>', 'which of several candidates, as they are listed')
      .option('--from <n>', 'go on with this event', '0')
      .option('--limit <n>', 'at most so many events, to 200', '200')
      .addHelpText(
        'after',
        '\nExample:\n  drumline trace C-01 --json\n\nExit: 0 one story, 1 nothing or several candidates, 2 wrong usage.',
      ),
  ).action(
    async (
      term: string,
      options: GatewayOptions & { from: string; limit: string; as?: string },
    ) => {
      const query = new URLSearchParams({ term, from: options.from, limit: options.limit });
      if (options.as !== undefined) query.set('as', options.as);
      const answer = await requestGateway(commandSettings(options), {
        method: 'GET',
        path: `/api/v1/trace?${query}`,
      });
      const trace = readAnswer(answer, options.json === true) as Trace | undefined;
      if (!trace) return;
      if (trace.of === null) process.exitCode = EXIT.problems;
      if (options.json) printJsonLine(trace);
      else if (trace.candidates.length === 0) printText('Nothing has this name.');
      else if (trace.of === null) {
        printText(
          trace.candidates.map((c) => `${c.kind}:${c.id}  ${c.name}, by ${c.by}`).join('\n'),
        );
      } else {
        printText(
          [
            ...trace.related.map((c) => `see also    ${c.kind}:${c.id}  ${c.name}`),
            ...trace.events.map((e) => `${e.at}  ${e.kind.padEnd(10)} ${e.what}`),
          ].join('\n'),
        );
        if (trace.isCut) progress('there is more of one kind than is read');
        if (trace.next !== null) progress(`there is more: --from ${trace.next}`);
      }
    },
  );
}
