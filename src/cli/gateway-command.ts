import type { Command } from 'commander';
import { processEnvironment, readSettings, type Settings } from '../config.js';
import type { GatewayAnswer } from './gateway-request.files.js';
import { EXIT, printJsonLine, progress } from './output.js';

export interface GatewayOptions {
  readonly data?: string;
  readonly siteFolder?: string;
  readonly json?: boolean;
}

/** Options of every command that speaks to a gateway or its data folder. */
export function withGatewayOptions(command: Command): Command {
  return command
    .option('--data <dir>', 'data folder of the gateway (default: DRUMLINE_DATA or .drumline/data)')
    .option(
      '--site-folder <dir>',
      'site folder (default: DRUMLINE_SITE_FOLDER or mappings/northquay)',
    )
    .option('--json', 'print one JSON line, last on stdout');
}

/** Quiet settings for a command: a log would drown its answer. */
export function commandSettings(options: GatewayOptions): Settings {
  return readSettings(processEnvironment(), {
    data: options.data,
    siteFolder: options.siteFolder,
    logLevel: 'fatal',
  });
}

/** Parses a good answer; prints a problem where a person or a script looks for it, and sets the exit code. */
export function readAnswer(answer: GatewayAnswer, asJson: boolean): unknown {
  const body: unknown = answer.text === '' ? null : JSON.parse(answer.text);
  if (answer.status < 400) return body;
  // 400 says that the question itself was wrong.
  process.exitCode = answer.status === 400 ? EXIT.usage : EXIT.problems;
  if (asJson) printJsonLine(body);
  else progress(describeProblem(body));
  return undefined;
}

function describeProblem(body: unknown): string {
  const fields = typeof body === 'object' && body !== null ? (body as Record<string, unknown>) : {};
  const faults = Array.isArray(fields.faults)
    ? fields.faults.map(
        (fault) => `\n  ${typeof fault === 'string' ? fault : JSON.stringify(fault)}`,
      )
    : [];
  const detail = String(fields.detail).replace(/\.$/, '');
  return `${String(fields.title)} ${detail}. ${String(fields.advice)}${faults.join('')}`;
}
