import type { MappingSource } from '../site/mapping-source.js';
import type { SiteFault } from '../site/site-fault.js';
import { buildPayload } from './build-payload.service.js';
import { compileMapping } from './compiled-mapping.js';
import type { ExpressionPool } from './expression.pool.js';
import { describeProblem } from './mapping-problem.js';
import type { Subject } from './subjects.js';

/** An example of the site folder: this subject has to yield exactly this payload. */
interface MappingExample {
  readonly destination: string;
  readonly subject: Subject;
  /** Payload as text, compared byte for byte. */
  readonly payload: string;
}

const PLACE = /^examples\/[^/]+\.json$/;

/** Builds every `examples/*.json` and compares it byte for byte with the payload written there. */
export async function exampleFaults(
  files: Readonly<Record<string, string>>,
  mappings: ReadonlyMap<string, MappingSource>,
  pool: ExpressionPool,
): Promise<SiteFault[]> {
  const faults: SiteFault[] = [];
  for (const file of Object.keys(files)
    .filter((name) => PLACE.test(name))
    .sort()) {
    const found = await tryExample(readExample(files[file] ?? ''), mappings, pool);
    if (found === null) continue;
    const remedy = 'Correct the mapping, or the example when the change is meant.';
    faults.push({ file, line: 1, column: 1, rule: 'example', message: found, remedy });
  }
  return faults;
}

async function tryExample(
  example: MappingExample | null,
  mappings: ReadonlyMap<string, MappingSource>,
  pool: ExpressionPool,
): Promise<string | null> {
  if (!example)
    return 'expected an object with destination, subject (with its message) and payload';
  const source = mappings.get(example.destination);
  if (!source) return `there is no mapping for ${example.destination}`;
  const compiled = compileMapping(source);
  // A contract that does not compile is reported at its own place.
  if (!compiled.ok) return null;
  const outcome = await buildPayload(compiled.mapping, example.subject, pool);
  if (!outcome.ok) return outcome.problems.map(describeProblem).join(' ');
  const text = Buffer.from(outcome.payload.bytes).toString('utf8');
  return text === example.payload ? null : firstDifference(example.payload, text);
}

function firstDifference(expected: string, found: string): string {
  let at = 0;
  while (at < expected.length && expected[at] === found[at]) at += 1;
  const part = (text: string) => JSON.stringify(text.slice(Math.max(0, at - 20), at + 40));
  return `from character ${at} on expected …${part(expected)}, found …${part(found)}`;
}

function readExample(text: string): MappingExample | null {
  try {
    const value: unknown = JSON.parse(text);
    return isExample(value) ? value : null;
  } catch {
    // Not JSON: the caller says what an example looks like.
    return null;
  }
}

function isExample(value: unknown): value is MappingExample {
  if (typeof value !== 'object' || value === null) return false;
  const { destination, subject, payload } = value as Record<string, unknown>;
  const isSubject = typeof subject === 'object' && subject !== null && 'message' in subject;
  return isSubject && typeof destination === 'string' && typeof payload === 'string';
}
