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

/** An edit that replaces the first occurrence of a text, and fails when there is none. */
export function replacing(found: string, by: string): (text: string) => string {
  return (text) => {
    if (!text.includes(found)) throw new Error(`the file does not hold ${found}`);
    return text.replace(found, () => by);
  };
}

/** Northquay as a site that decided to do without the second person, for tests of everything else. */
export const withoutSecondPerson = (siteYaml: string): string =>
  replacing(
    'decisions:\n',
    `decisions:
  - id: D-001
    rule: second-person-off
    decidedBy: Head of Quality, Northquay (simulated)
    date: "2026-01-12"
    reason: The training scenario shows statements without a reviewer; nothing is released by them.
    signed: false
`,
  )(
    replacing(
      'secondPerson: { required: true }',
      'secondPerson: { required: false, decision: D-001 }',
    )(siteYaml),
  );

/** Line on which a text first stands, counted from one. */
export function lineOf(directory: string, name: string, part: string): number {
  const lines = readFileSync(join(directory, name), 'utf8').split('\n');
  const index = lines.findIndex((line) => line.includes(part));
  if (index === -1) throw new Error(`${name} does not hold ${part}`);
  return index + 1;
}
