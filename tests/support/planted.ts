import { randomBytes } from 'node:crypto';
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { encodingsOf } from './secret-encodings.js';
import { temporaryDirectory } from './temp-database.js';

/** A secret that can be recognised, with every character that some encoding has to escape. */
export function planted(name: string): string {
  return `Pl4nted-${name}"\\/+=&<x>~${randomBytes(9).toString('base64')}`;
}

/** As `planted`, of characters that YAML and addresses take as they are. */
export function plantedPlain(name: string): string {
  return `Pl4nted-${name}~${randomBytes(9).toString('base64url')}`;
}

/** The names of planted secrets that a text holds, and in which encoding. */
export function leaks(text: string, secrets: Readonly<Record<string, string>>): string[] {
  const heap = text.toLowerCase();
  return Object.entries(secrets).flatMap(([name, secret]) =>
    encodingsOf(secret).flatMap(([how, encoded]) =>
      heap.includes(encoded.toLowerCase()) ? [`${name}, ${how}`] : [],
    ),
  );
}

/** Path of a file that holds a secret. */
export function secretFile(text: string, mode = 0o600): string {
  const path = join(temporaryDirectory(), 'token');
  writeFileSync(path, `${text}\n`, { mode });
  return path;
}
