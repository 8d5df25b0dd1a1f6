import { cpSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { repositoryRoot } from './shared.js';
import { temporaryDirectory } from './temp-database.js';

export const NORTHQUAY = join(repositoryRoot(), 'mappings', 'northquay');

export type FileEdits = Readonly<Record<string, (text: string) => string>>;

/** A copy of the Northquay site folder with some files changed, gone after the test. */
export function northquayWith(edits: FileEdits): string {
  const directory = join(temporaryDirectory(), 'site');
  cpSync(NORTHQUAY, directory, { recursive: true });
  for (const [name, edit] of Object.entries(edits)) {
    const file = join(directory, name);
    writeFileSync(file, edit(readFileSync(file, 'utf8')));
  }
  return directory;
}

/** Line on which a text first stands, counted from one. */
export function lineOf(directory: string, name: string, part: string): number {
  const lines = readFileSync(join(directory, name), 'utf8').split('\n');
  const index = lines.findIndex((line) => line.includes(part));
  if (index === -1) throw new Error(`${name} does not hold ${part}`);
  return index + 1;
}
