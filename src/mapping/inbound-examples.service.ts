import { canonicalJson } from '../formats/canonical-json.js';
import type { InboundSource } from '../site/inbound-source.js';
import type { SiteFault } from '../site/site-fault.js';
import type { ExpressionPool } from './expression.pool.js';
import { mapInbound } from './inbound-map.service.js';

/** An example of the site folder: this document has to ask for exactly this, or be refused by exactly these rules. */
interface InboundExample {
  readonly source: string;
  /** The document as text. */
  readonly document: string;
  readonly requests?: readonly unknown[];
  readonly refused?: readonly string[];
}

const PLACE = /^examples\/inbound\/[^/]+\.json$/;

/** Maps every `examples/inbound/*.json` and compares what it asks for with what stands there. */
export async function inboundExampleFaults(
  files: Readonly<Record<string, string>>,
  sources: ReadonlyMap<string, InboundSource>,
  timeZone: string,
  pool: ExpressionPool,
): Promise<SiteFault[]> {
  const faults: SiteFault[] = [];
  for (const file of Object.keys(files)
    .filter((name) => PLACE.test(name))
    .sort()) {
    const message = await tryExample(readExample(files[file] ?? ''), sources, timeZone, pool);
    if (message === null) continue;
    const remedy = 'Correct the mapping, or the example when the change is meant.';
    faults.push({ file, line: 1, column: 1, rule: 'example', message, remedy });
  }
  return faults;
}

async function tryExample(
  example: InboundExample | null,
  sources: ReadonlyMap<string, InboundSource>,
  timeZone: string,
  pool: ExpressionPool,
): Promise<string | null> {
  if (!example) return 'expected an object with source, document and either requests or refused';
  const inbound = sources.get(example.source);
  if (!inbound) return `there is no inbound mapping for ${example.source}`;
  const mapping = { document: inbound.document, timeZone, pool };
  const mapped = await mapInbound(mapping, Buffer.from(example.document, 'utf8'));
  const found = mapped.ok
    ? { requests: mapped.requests.map(({ asked: _, place: __, ...request }) => request) }
    : { refused: [...new Set(mapped.faults.map(({ rule }) => rule))].sort() };
  const { requests, refused } = example;
  const expected = requests ? { requests } : { refused: [...(refused ?? [])].sort() };
  const [wanted, got] = [canonicalJson(expected), canonicalJson(found)];
  if (wanted === got) return null;
  const why = mapped.ok ? '' : `; ${mapped.faults[0]?.place}: ${mapped.faults[0]?.message}`;
  return `expected ${wanted.slice(0, 500)}, found ${got.slice(0, 500)}${why}`;
}

function readExample(text: string): InboundExample | null {
  try {
    const value: unknown = JSON.parse(text);
    return isExample(value) ? value : null;
  } catch {
    // Not JSON: the caller says what an example looks like.
    return null;
  }
}

function isExample(value: unknown): value is InboundExample {
  if (typeof value !== 'object' || value === null) return false;
  const { source, document, requests, refused } = value as Record<string, unknown>;
  const isText = typeof source === 'string' && typeof document === 'string';
  return isText && Array.isArray(requests) !== Array.isArray(refused);
}
