import type { Instant } from '../formats/instant.js';
import { parseTimestamp } from '../formats/instant.js';
import { type KnownIds, unknownDecision } from './known-ids.js';
import { spansMeet, spanText } from './method-force.js';
import type { DocumentPath, RuleFault } from './site-fault.js';
import type { MethodEntry } from './site-file.js';
import type { InstantSpan } from './site-folder.js';

/** The dates of one method version and of its approvals. */
export function methodDateFaults(method: MethodEntry, index: number, known: KnownIds): RuleFault[] {
  const at = (...rest: DocumentPath): DocumentPath => ['methods', index, ...rest];
  const name = `${method.id} version ${method.version}`;
  const faults = [
    ...spanFaults(method, ['effectiveFrom', 'retiredAt'], at(), name),
    ...instantFaults(method, ['invalidatedAt'], at()),
    ...method.approvals.flatMap((approval, entry) =>
      spanFaults(
        approval,
        ['effectiveFrom', 'endsAt'],
        at('approvals', entry),
        `the approval of ${name}`,
      ),
    ),
  ];
  if ((method.invalidatedAt === undefined) !== (method.invalidation === undefined)) {
    faults.push({
      path: at(method.invalidatedAt === undefined ? 'invalidation' : 'invalidatedAt'),
      rule: 'method-invalidation',
      message: `${name} names only one of invalidatedAt and invalidation`,
      remedy: 'Write when it was found wrong, and the decision that found it wrong.',
    });
  }
  if (method.invalidation !== undefined) {
    const path = at('invalidation');
    faults.push(...unknownDecision(known, method.invalidation, path, 'method-invalidation'));
  }
  return faults;
}

/**
 * Two versions of a method are in force at once only where one of them says so. Versions without any date are left
 * as they are: a folder that sets none has all of them in force, and every result names its version.
 */
export function overlappingVersions(methods: readonly MethodEntry[]): RuleFault[] {
  const faults: RuleFault[] = [];
  for (const [index, later] of methods.entries()) {
    for (const earlier of methods.slice(0, index)) {
      if (earlier.id !== later.id || earlier.version === later.version) continue;
      const spans = [forceSpanOf(earlier), forceSpanOf(later)] as const;
      const [a, b] = spans;
      if ((isUndated(a) && isUndated(b)) || !spansMeet(a, b)) continue;
      if (isBeside(earlier, later) || isBeside(later, earlier)) continue;
      faults.push({
        path: ['methods', index, later.effectiveFrom === undefined ? 'version' : 'effectiveFrom'],
        rule: 'method-versions-overlap',
        message: `versions ${earlier.version} (${spanText(a)}) and ${later.version} (${spanText(b)}) of ${later.id} are in force at once`,
        remedy: `Retire version ${earlier.version} (retiredAt) when version ${later.version} begins, or name it in inForceBeside.`,
      });
    }
  }
  return faults;
}

/** Instants of an entry that are written and are none. */
export function instantFaults<K extends string>(
  entry: Readonly<Partial<Record<K, unknown>>>,
  keys: readonly K[],
  path: DocumentPath,
): RuleFault[] {
  return keys.flatMap((key) => {
    const written = entry[key];
    if (typeof written !== 'string' || parseTimestamp(written) !== null) return [];
    return [
      {
        path: [...path, key],
        rule: 'instant-unreadable',
        message: `${key} is ${JSON.stringify(written)}, expected a date-time with offset`,
        remedy: 'Write one such as 2026-03-04T12:00:00Z.',
      },
    ];
  });
}

/** As `instantFaults` for a beginning and an end, which has to lie behind it. */
export function spanFaults<K extends string>(
  entry: Readonly<Partial<Record<K, unknown>>>,
  [begin, end]: readonly [K, K],
  path: DocumentPath,
  name: string,
): RuleFault[] {
  const faults = instantFaults(entry, [begin, end], path);
  const [from, to] = [instantOf(entry[begin]), instantOf(entry[end])];
  if (from === null || to === null || from < to) return faults;
  return [
    ...faults,
    {
      path: [...path, end],
      rule: 'never-in-force',
      message: `${name} begins at ${String(entry[begin])} (${begin}) and ends at ${String(entry[end])} (${end})`,
      remedy: `Let ${end} lie after ${begin}, or remove one of them.`,
    },
  ];
}

function forceSpanOf(method: MethodEntry): InstantSpan {
  return { from: instantOf(method.effectiveFrom), to: instantOf(method.retiredAt) };
}

function isUndated({ from, to }: InstantSpan): boolean {
  return from === null && to === null;
}

function isBeside(one: MethodEntry, other: MethodEntry): boolean {
  return one.inForceBeside?.includes(other.version) ?? false;
}

function instantOf(written: unknown): Instant | null {
  return typeof written === 'string' ? (parseTimestamp(written)?.instant ?? null) : null;
}
