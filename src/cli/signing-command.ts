import type { Command } from 'commander';
import { printAnswer } from './ask-gateway.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { type PersonOptions, readProof, withPasswordFile } from './person-proof.js';

export interface SigningOptions extends GatewayOptions, PersonOptions {
  /** Digest of what was shown. */
  readonly shown: string;
  readonly reason: string;
}

/** Options of every command that signs, beside the digest of what was shown. */
export function withSigningOptions(command: Command): Command {
  return withGatewayOptions(
    withPasswordFile(
      command
        .requiredOption('--user <name>', 'user name of the signer')
        .requiredOption('--reason <text>', 'why; part of the signature'),
    ),
  );
}

/** Posts an act with what proves its signer; undefined when it was refused, which is said. */
export async function postSigned(
  path: string,
  act: Readonly<Record<string, unknown>>,
  options: SigningOptions,
): Promise<unknown> {
  const proof = await readProof(options);
  if (proof === undefined) return undefined;
  const answer = await requestGateway(commandSettings(options), {
    method: 'POST',
    path,
    body: {
      contentType: 'application/json',
      text: JSON.stringify({
        ...act,
        shown: options.shown,
        reason: options.reason,
        ...proof,
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
