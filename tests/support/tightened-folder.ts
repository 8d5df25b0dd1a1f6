import { cpSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { replacing } from './site-edits.js';
import { temporaryDirectory } from './temp-database.js';

/** A copy of the folder of a running gateway, tightened: a second person signs every statement. */
export function tightened(siteFolder: string): string {
  const copy = join(temporaryDirectory(), 'site');
  cpSync(siteFolder, copy, { recursive: true });
  const file = join(copy, 'site.yaml');
  const edit = replacing(
    'secondPerson: { required: false, decision: D-001 }',
    'secondPerson: { required: true }',
  );
  writeFileSync(file, edit(readFileSync(file, 'utf8')));
  return copy;
}
