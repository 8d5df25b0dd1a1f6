import { readFileSync } from 'node:fs';
import { Misconfigured } from '../errors.js';
import type { SecretReference } from '../site/site-folder.js';

/**
 * Resolves a secret reference at the moment of use, so that a rotated secret needs no restart.
 *
 * @throws Misconfigured `secret-missing` naming the reference, never the value.
 */
export function readSecret(
  reference: SecretReference,
  env: Readonly<Record<string, string | undefined>>,
): string {
  const value = reference.startsWith('env:')
    ? env[reference.slice('env:'.length)]
    : readSecretFile(reference);
  if (value === undefined || value === '') {
    throw new Misconfigured('secret-missing', { found: reference });
  }
  return value;
}

function readSecretFile(reference: SecretReference): string {
  try {
    return readFileSync(reference.slice('file:'.length), 'utf8').trim();
  } catch (cause) {
    throw new Misconfigured('secret-missing', { found: reference, cause });
  }
}
