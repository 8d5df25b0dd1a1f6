import type { Command } from 'commander';
import { printAnswer } from './ask-gateway.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, progress } from './output.js';
import { readPassword } from './read-password.files.js';

export interface SigningOptions extends GatewayOptions {
  /** Digest of what was shown. */
  readonly shown: string;
  readonly reason: string;
  readonly user: string;
  readonly passwordFile?: string;
}

/** Options of every command that signs, beside the digest of what was shown. */
export function withSigningOptions(command: Command): Command {
  return withGatewayOptions(
    command
      .requiredOption('--user <name>', 'user name of the signer')
      .requiredOption('--reason <text>', 'why; part of the signature')
      .option(
        '--password-file <file>',
        'read the password from a file, - for the standard input; without it, it is asked for',
      ),
  );
}

/** Posts an act with what proves its signer; undefined when it was refused, which is said. */
export async function postSigned(
  path: string,
  act: Readonly<Record<string, unknown>>,
  options: SigningOptions,
): Promise<unknown> {
  const password = await readPassword(`Password of ${options.user}: `, options.passwordFile);
  if (!password.ok) {
    progress(password.message);
    process.exitCode = EXIT.usage;
    return undefined;
  }
  const answer = await requestGateway(commandSettings(options), {
    method: 'POST',
    path,
    body: {
      contentType: 'application/json',
      text: JSON.stringify({
        ...act,
        shown: options.shown,
        reason: options.reason,
        userName: options.user,
        password: password.password,
      }),
    },
  });
  return readAnswer(answer, options.json === true);
}

/** Has an act signed, and prints what came of it. */
export async function printSigned<T>(
  path: string,
  act: Readonly<Record<string, unknown>>,
  options: SigningOptions,
  text: (done: T) => string,
): Promise<void> {
  const done = (await postSigned(path, act, options)) as T | undefined;
  if (done) printAnswer(done, options, text);
}
