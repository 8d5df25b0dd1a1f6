import { afterAll } from 'vitest';
import { buildPayload } from '../../src/mapping/build-payload.service.js';
import { checkMapping } from '../../src/mapping/check-mapping.service.js';
import { type CompiledMapping, compileMapping } from '../../src/mapping/compiled-mapping.js';
import { ExpressionPool } from '../../src/mapping/expression.pool.js';
import type { BuildOutcome } from '../../src/mapping/payload.js';
import type { Subject } from '../../src/mapping/subjects.js';
import { readFolderFiles } from '../../src/site/folder-files.files.js';
import { type MappingSource, readMapping } from '../../src/site/mapping-source.js';
import { mappingSchema } from '../../src/site/schemas.files.js';
import type { SiteFault } from '../../src/site/site-fault.js';
import { type FileEdits, NORTHQUAY } from './site-folder-copy.js';

/** One expression pool for a test file, closed at its end. */
export function poolForFile(): ExpressionPool {
  const pool = new ExpressionPool({ threads: 1 });
  afterAll(() => pool.close());
  return pool;
}

const { texts } = await readFolderFiles(NORTHQUAY);

/** A mapping of the Northquay folder with some of its files changed. Throws on what cannot be read. */
export function mappingWith(destination: string, edits: FileEdits = {}): MappingSource {
  const files: Record<string, string> = { ...texts };
  for (const [name, edit] of Object.entries(edits)) files[name] = edit(files[name] ?? '');
  const read = readMapping(files, destination, mappingSchema());
  if (!read.ok) throw new Error(JSON.stringify(read.faults));
  return read.mapping;
}

export function compiled(source: MappingSource): CompiledMapping {
  const outcome = compileMapping(source);
  if (!outcome.ok) throw new Error(JSON.stringify(outcome.faults));
  return outcome.mapping;
}

/** Faults of one mapping file after an edit. */
export async function mappingFaults(
  pool: ExpressionPool,
  destination: string,
  edit: (text: string) => string,
): Promise<readonly SiteFault[]> {
  const source = mappingWith(destination, { [`${destination}.mapping.yaml`]: edit });
  return await checkMapping(source, pool);
}

export async function build(
  pool: ExpressionPool,
  mapping: CompiledMapping,
  subject: Subject,
): Promise<BuildOutcome> {
  return await buildPayload(mapping, subject, pool);
}

/** The payload as text; the problems as an error when there is none. */
export async function payloadText(
  pool: ExpressionPool,
  mapping: CompiledMapping,
  subject: Subject,
): Promise<string> {
  const outcome = await buildPayload(mapping, subject, pool);
  if (!outcome.ok) throw new Error(JSON.stringify(outcome.problems));
  return Buffer.from(outcome.payload.bytes).toString('utf8');
}

export async function problemCodes(
  pool: ExpressionPool,
  mapping: CompiledMapping,
  subject: Subject,
): Promise<string[]> {
  const outcome = await buildPayload(mapping, subject, pool);
  return outcome.ok ? [] : outcome.problems.map((problem) => problem.code);
}
