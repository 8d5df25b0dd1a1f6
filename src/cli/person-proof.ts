import type { Command } from 'commander';
import { EXIT, progress } from './output.js';
import { readPassword } from './read-password.files.js';

/** Options of every command that takes a person: whoever runs the gateway judges nothing. */
export interface PersonOptions {
  readonly user: string;
  readonly passwordFile?: string;
}

/** Says where the password of that person comes from; never from an argument, see `readPassword`. */
export function withPasswordFile(command: Command): Command {
  return command.option(
    '--password-file <file>',
    'read the password from a file, - for the standard input; without it, it is asked for',
  );
}

/** What proves the person, as members of a request's body; undefined when no password was given, which is said. */
export async function readProof({
  user: userName,
  passwordFile,
}: PersonOptions): Promise<{ readonly userName: string; readonly password: string } | undefined> {
  const password = await readPassword(`Password of ${userName}: `, passwordFile);
  if (password.ok) return { userName, password: password.password };
  progress(password.message);
  process.exitCode = EXIT.usage;
  return undefined;
}
