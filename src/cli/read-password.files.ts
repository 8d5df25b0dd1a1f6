import { readFileSync } from 'node:fs';
import { createInterface } from 'node:readline';
import { type Readable, Writable } from 'node:stream';

export type PasswordAnswer =
  | { readonly ok: true; readonly password: string }
  | { readonly ok: false; readonly message: string };

/**
 * The password a command asks for: from the terminal without showing it, or from a file, `-` for the standard
 * input. Never from an argument, which every process of the machine can read. One line end at its end is no
 * part of it.
 */
export async function readPassword(
  prompt: string,
  file: string | undefined,
): Promise<PasswordAnswer> {
  if (file !== undefined) return fromText(readFileSync(file === '-' ? 0 : file, 'utf8'));
  if (!process.stdin.isTTY) {
    return {
      ok: false,
      message:
        'there is no terminal to ask for the password; give --password-file FILE, or - for the standard input',
    };
  }
  return fromText(await askUnseen(prompt, process.stdin));
}

function fromText(text: string): PasswordAnswer {
  const password = text.replace(/\r?\n$/, '');
  return password === '' ? { ok: false, message: 'the password is empty' } : { ok: true, password };
}

/** What is typed until the end of the line; nothing when the terminal is left before. */
export function askUnseen(prompt: string, input: Readable): Promise<string> {
  process.stderr.write(prompt);
  const silent = new Writable({ write: (_chunk, _encoding, done) => done() });
  const lines = createInterface({ input, output: silent, terminal: true });
  return new Promise((resolve) => {
    // Leaving the terminal closes it without a line; a promise that nothing settles would end the command by itself.
    const end = (typed: string) => {
      resolve(typed);
      lines.close();
    };
    lines.once('line', end);
    lines.once('SIGINT', () => end(''));
    lines.once('close', () => {
      process.stderr.write('\n');
      resolve('');
    });
  });
}
