import { setTimeout as wait } from 'node:timers/promises';
import type { Command } from 'commander';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';

interface SweepOptions extends GatewayOptions {
  readonly destination: string;
  readonly from: string;
  readonly to: string;
  readonly wait: string;
}

interface ShownSweep {
  readonly id: string;
  readonly state: string;
  readonly from: string;
  readonly to: string;
  readonly items: number;
  readonly counts: Readonly<Record<string, number>>;
  readonly detail: string | null;
  readonly findings?: readonly { readonly class: string; readonly detail: string }[];
}

const LOOK_EVERY_MS = 300;

export function registerSweep(program: Command): void {
  withGatewayOptions(
    program
      .command('sweep')
      .description('list what a destination holds of a period and compare it both ways')
      .requiredOption('--destination <name>', 'destination, as the site folder has it')
      .requiredOption('--from <date-time>', 'RFC 3339 date-time with offset')
      .requiredOption('--to <date-time>', 'RFC 3339 date-time with offset')
      .option('--wait <seconds>', 'how long to wait for its end', '600')
      .addHelpText(
        'after',
        '\nThe gateway that is running works on it; exit 1 says that findings are open.\n\nExample:\n  drumline sweep --destination erp --from 2026-11-24T00:00:00Z --to 2026-11-25T00:00:00Z --json',
      ),
  ).action(async (options: SweepOptions) => {
    const seconds = Number(options.wait);
    if (!Number.isFinite(seconds) || seconds < 0 || seconds > 86_400) {
      progress(`--wait ${options.wait}: expected a number of seconds up to 86400`);
      process.exitCode = EXIT.usage;
      return;
    }
    const settings = commandSettings(options);
    const path = `/api/v1/destinations/${encodeURIComponent(options.destination)}/sweeps`;
    const put = readAnswer(
      await requestGateway(settings, {
        method: 'POST',
        path,
        body: {
          contentType: 'application/json',
          text: JSON.stringify({ from: options.from, to: options.to }),
        },
      }),
      options.json === true,
    ) as ShownSweep | undefined;
    if (!put) return;
    const ended = await untilEnded(settings, `${path}/${put.id}`, seconds);
    const sweep = readAnswer(ended, options.json === true) as ShownSweep | undefined;
    if (!sweep) return;
    if (options.json) printJsonLine(sweep);
    else printText(describe(sweep));
    const isClean = sweep.state === 'done' && (sweep.findings ?? []).length === 0;
    if (!isClean) process.exitCode = EXIT.problems;
  });
}

async function untilEnded(
  settings: ReturnType<typeof commandSettings>,
  path: string,
  seconds: number,
): ReturnType<typeof requestGateway> {
  const giveUpAt = performance.now() + seconds * 1000;
  for (;;) {
    const answer = await requestGateway(settings, { method: 'GET', path });
    const { state } = JSON.parse(answer.text) as { state?: string };
    if (answer.status >= 400 || state === 'done' || state === 'failed') return answer;
    if (performance.now() >= giveUpAt) {
      progress('not finished yet; it goes on in the gateway');
      return answer;
    }
    await wait(LOOK_EVERY_MS);
  }
}

function describe(sweep: ShownSweep): string {
  const counts = Object.entries(sweep.counts).map(([name, n]) => `${name} ${n}`);
  const findings = (sweep.findings ?? []).map((f) => `\n  ${f.class}: ${f.detail}`);
  return [
    `${sweep.id}  ${sweep.state}  ${sweep.from} to ${sweep.to}  listed ${sweep.items}  ${counts.join('  ')}`,
    sweep.detail === null ? '' : `\n  ${sweep.detail}`,
    ...findings,
  ].join('');
}
