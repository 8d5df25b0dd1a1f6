import { readFileSync, statSync } from 'node:fs';

/** Far more than any password; what is larger is the wrong file. */
const BYTES_MAX = 4096;

export type PasswordInput =
  | { readonly ok: true; readonly password: string | undefined }
  | { readonly ok: false; readonly message: string };

/**
 * A password from a file or from stdin, never from the command line, which every user of the computer can read.
 * Its first line counts. `password` is undefined when neither was named: the gateway then makes one up.
 */
export function readPasswordInput(options: {
  readonly passwordFile?: string;
  readonly passwordStdin?: boolean;
}): PasswordInput {
  const { passwordFile, passwordStdin } = options;
  if (passwordFile !== undefined && passwordStdin) {
    return { ok: false, message: 'name one of --password-file and --password-stdin' };
  }
  if (passwordFile !== undefined) return firstLine(passwordFile, readBounded(passwordFile));
  if (passwordStdin) return firstLine('stdin', readFileSync(0).subarray(0, BYTES_MAX + 1));
  return { ok: true, password: undefined };
}

function readBounded(file: string): Buffer {
  return statSync(file).size > BYTES_MAX ? Buffer.alloc(BYTES_MAX + 1) : readFileSync(file);
}

function firstLine(name: string, bytes: Buffer): PasswordInput {
  if (bytes.length > BYTES_MAX) {
    return { ok: false, message: `${name}: expected ${BYTES_MAX} bytes at most` };
  }
  try {
    const text = new TextDecoder('utf-8', { fatal: true }).decode(bytes);
    const [password = ''] = text.split(/\r?\n/);
    return password === ''
      ? { ok: false, message: `${name}: expected a password on the first line, found nothing` }
      : { ok: true, password };
  } catch {
    // The decoder names no place; the rule is what helps.
    return { ok: false, message: `${name}: not UTF-8` };
  }
}
