import { normaliseLabel } from '../receipts/label.js';
import type { InboundDocument, InboundField } from '../site/inbound-document.js';
import { readExpression } from './expression-rules.js';
import type { InboundValues } from './inbound-body.js';
import type { InboundFault, SourceRecord } from './inbound-lines.js';
import { compileInboundPath, inboundSteps } from './inbound-path.js';

type Failed = { readonly ok: false; readonly faults: readonly InboundFault[] };

export function failed(place: string, rule: string, message: string, remedy: string): Failed {
  return { ok: false, faults: [{ place, rule, message, remedy }] };
}

/** Fields of every message and part. */
export function fieldsOf(document: InboundDocument): InboundField[] {
  return Object.values(document.messages).flatMap((m) => [...m.fields, ...(m.parts?.fields ?? [])]);
}

/** True for a source that is no path. */
export function isExpression(from: string | undefined): from is string {
  return from !== undefined && inboundSteps(from) === null;
}

/**
 * Members of lines that nothing reads and nobody declared as not needed: a source that renames a member must be heard,
 * not lose a retest date.
 */
export function unknownMembers(
  document: InboundDocument,
  records: readonly SourceRecord[],
): InboundFault[] {
  const parts = document.messages.split?.parts;
  const paths = fieldsOf(document).flatMap(({ from, join }) => [from, ...(join?.of ?? [])]);
  const others = [document.groupBy, document.change?.from, parts?.each];
  const isKnown = memberTest(
    [...paths, ...others].filter((path): path is string => typeof path === 'string'),
  );
  const known = new Set(document.ignored);
  const faults: InboundFault[] = [];
  const seen = new Set<string>();
  for (const { line, place } of records) {
    for (const name of Object.keys(line)) {
      if (known.has(name) || seen.has(name)) continue;
      if (isKnown(name)) known.add(name);
      else {
        seen.add(name);
        faults.push({
          place,
          rule: 'unknown-member',
          message: `found "${name.slice(0, 100)}", which the mapping neither reads nor ignores`,
          remedy: 'Map it, or list it under ignored; a member that was renamed must not be lost.',
        });
      }
    }
  }
  return faults;
}

function memberTest(paths: readonly string[]): (name: string) => boolean {
  const direct = new Set<string>();
  const computed = new Set<string>();
  for (const path of paths) {
    const steps = inboundSteps(path);
    if (steps !== null) {
      if (steps[0] === 'line' && steps[1] !== undefined) direct.add(steps[1]);
      continue;
    }
    const read = readExpression(path);
    if (read.ok) for (const found of read.paths) computed.add(found);
  }
  return (name) => direct.has(name) || computed.has(`line.${name}`);
}

type Grouped =
  | { readonly ok: true; readonly groups: readonly (readonly SourceRecord[])[] }
  | Failed;

/** Records of one receipt each. */
export function groups({ groupBy }: InboundDocument, records: readonly SourceRecord[]): Grouped {
  if (groupBy === null) return { ok: true, groups: records.map((record) => [record]) };
  const get = compileInboundPath(groupBy);
  const found = new Map<string, SourceRecord[]>();
  for (const record of records) {
    const key = get?.({ line: record.line });
    if (typeof key !== 'string' || key.trim() === '') {
      const message = `found nothing at ${groupBy}, expected what the lines are grouped by`;
      return failed(record.place, 'required-missing', message, 'Fill it in on every line.');
    }
    const held = found.get(key.trim());
    if (held) held.push(record);
    else found.set(key.trim(), [record]);
  }
  return { ok: true, groups: [...found.values()] };
}

/** Where a group of records stands. */
export function placeOf([first, ...rest]: readonly SourceRecord[]): string {
  const place = first?.place ?? 'document';
  const last = rest.at(-1)?.place;
  return last === undefined ? place : `${place} to ${last}`;
}

type ChangeRead = { readonly ok: true; readonly name: string } | Failed;

/** Which change a record asks for. */
export function changeOf(document: InboundDocument, record: SourceRecord): ChangeRead {
  const { change } = document;
  if (change === null) {
    return { ok: true, name: Object.keys(document.messages)[0] ?? 'announce' };
  }
  const value = compileInboundPath(change.from)?.({ line: record.line, head: record.head });
  const table = document.tables[change.table] ?? {};
  const name = typeof value === 'string' && Object.hasOwn(table, value) ? table[value] : undefined;
  if (name !== undefined) return { ok: true, name };
  const found = value === undefined ? 'nothing' : JSON.stringify(value).slice(0, 80);
  const message = `found ${found} at ${change.from}, which has no row in table ${change.table}`;
  return failed(record.place, 'table-row-missing', message, 'Add the row; there is no default.');
}

/** Lists gather in the order of the lines; everything else has to be the same on each of them. */
export function mergeValues(
  of: readonly InboundValues[],
  place: string,
): { readonly values: InboundValues; readonly faults: readonly InboundFault[] } {
  const [first, ...rest] = of;
  const values = new Map(first ?? []);
  const faults: InboundFault[] = [];
  for (const more of rest) {
    for (const name of new Set([...values.keys(), ...more.keys()])) {
      const [held, next] = [values.get(name), more.get(name)];
      if (typeof held === 'object' || typeof next === 'object') {
        values.set(name, [...(held ?? []), ...(next ?? [])]);
      } else if (held !== next && faults.length === 0) {
        faults.push({
          place: `${place}, ${name}`,
          rule: 'lines-differ',
          message: `found "${held ?? ''}" and "${next ?? ''}" for one receipt`,
          remedy: 'Say the same on every line of a receipt, or group by something else.',
        });
      }
    }
  }
  return { values, faults };
}

/** Receipts that are announced twice in one document. */
export function twiceFaults(
  requests: readonly {
    readonly receiptId: string;
    readonly change: string;
    readonly body: Readonly<Record<string, unknown>>;
    readonly place: string;
  }[],
): InboundFault[] {
  const ids = new Map<string, string>();
  const scans = new Map<string, string>();
  return requests.flatMap(({ receiptId, change, body, place }): InboundFault[] => {
    if (change !== 'announce') return [];
    const scan = normaliseLabel(
      typeof body['scanText'] === 'string' ? body['scanText'] : receiptId,
    );
    const before = ids.get(receiptId) ?? scans.get(scan);
    ids.set(receiptId, place);
    scans.set(scan, place);
    if (before === undefined) return [];
    const message = `receipt "${receiptId}", or its scan text, stands at ${before} already`;
    const remedy = 'Give every receipt line an id and a scan text of its own, or group the lines.';
    return [{ place, rule: 'twice-in-document', message, remedy }];
  });
}
