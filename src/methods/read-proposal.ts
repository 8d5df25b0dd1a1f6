import type { Sha256 } from '../formats/canonical-json.js';
import { parseTimestamp } from '../formats/instant.js';
import { methodOf } from '../site/method-of-entry.js';
import { methodFaults } from '../site/method-rules.js';
import { holeFault, rangeFaults } from '../site/reference-range.js';
import { readReferenceSpectrum } from '../site/reference-spectrum.js';
import { type SchemaCheck, schemaFaults } from '../site/schema-faults.js';
import type { DocumentPath, RuleFault } from '../site/site-fault.js';
import type { MethodEntry } from '../site/site-file.js';
import type { ReferenceSpectrum } from '../site/site-folder.js';
import { type ComparedReference, marginFaultsOf } from '../site/site-references.js';
import { contentOf, type MethodContent, type ProposedDates } from './registered-method.js';

/** A version as it is proposed over the API: an entry of the site folder with its reference inside. */
type ProposalBody = Omit<
  MethodEntry,
  'reference' | 'approvals' | 'retiredAt' | 'invalidatedAt' | 'invalidation'
> & {
  readonly reference: {
    readonly csv?: string;
    readonly points?: readonly (readonly number[])[];
  } | null;
  readonly supersedes?: readonly string[];
};

export interface Proposal {
  readonly content: MethodContent;
  readonly contentDigest: Sha256;
  readonly dates: ProposedDates;
  /** The reference's file; null for a method without one. */
  readonly reference: Uint8Array | null;
}

/** One rule that a proposal breaks, at its place in the body. */
export interface ProposalFault {
  /** RFC 6901. */
  readonly pointer: string;
  readonly rule: string;
  readonly message: string;
  readonly remedy: string;
}

export type ProposalRead =
  | { readonly ok: true; readonly proposal: Proposal }
  | { readonly ok: false; readonly faults: readonly ProposalFault[] };

/** What a proposal may refer to. */
export interface ProposalGround {
  /** Material codes of the site. */
  readonly materials: ReadonlySet<string>;
  /** Decisions of the site, with the rule that each is about. */
  readonly decisions: ReadonlyMap<string, string>;
  /** Registered versions of the method of an id. */
  readonly versionsOf: (id: string) => ReadonlySet<string>;
  /** What a margin is measured against: references of registered methods and of the site's set. */
  readonly references: readonly ComparedReference[];
}

/** Reads a proposed version: the schema first, then every rule of the site folder; all faults at once. */
export function readProposal(
  body: unknown,
  check: SchemaCheck,
  ground: ProposalGround,
): ProposalRead {
  const schema = schemaFaults(check(body));
  if (schema.length > 0) return { ok: false, faults: schema.map(placed) };
  // What passed its schema has the shape the schema fixes.
  const { reference, supersedes = [], ...fields } = body as ProposalBody;
  const read = readReference(reference);
  const file = reference === null ? null : 'reference.csv';
  const entry: MethodEntry = { ...fields, reference: file, approvals: [] };
  const { materials, decisions } = ground;
  const known = { areas: new Set<string>(), materials, decisions };
  const spectrum = read.ok ? (read.given?.spectrum ?? null) : null;
  const faults: RuleFault[] = [
    ...methodFaults(entry, 0, known).map(inBody),
    ...(read.ok ? [] : read.faults),
    ...(spectrum === null ? [] : coverageFaults(entry, spectrum)),
    ...marginFaultsOf(entry, ground.references, []),
    ...versionFaults(entry, supersedes, ground.versionsOf(entry.id)),
  ];
  if (faults.length > 0 || !read.ok) return { ok: false, faults: faults.map(placed) };
  const method = methodOf(entry, spectrum);
  const effectiveFrom = entry.effectiveFrom && parseTimestamp(entry.effectiveFrom);
  const { notRecomputable } = entry;
  return {
    ok: true,
    proposal: {
      content: contentOf(method),
      contentDigest: method.contentDigest,
      dates: {
        effectiveFrom: effectiveFrom ? effectiveFrom.instant : null,
        beside: entry.inForceBeside ?? [],
        supersedes,
        ...(notRecomputable === undefined ? {} : { notRecomputable }),
      },
      reference: read.given?.bytes ?? null,
    },
  };
}

function coverageFaults({ id, range }: MethodEntry, spectrum: ReferenceSpectrum): RuleFault[] {
  const stretch = { of: `method ${id}`, range };
  const found = holeFault(stretch, spectrum);
  const path = ['reference'];
  if (found === null) return rangeFaults(stretch, spectrum, path);
  const { hole: _, ...fault } = found;
  return [...rangeFaults(stretch, spectrum, path), { path, ...fault }];
}

type ReferenceRead =
  | {
      readonly ok: true;
      readonly given: { readonly bytes: Uint8Array; readonly spectrum: ReferenceSpectrum } | null;
    }
  | { readonly ok: false; readonly faults: readonly RuleFault[] };

function readReference(reference: ProposalBody['reference']): ReferenceRead {
  if (reference === null) return { ok: true, given: null };
  const { csv, points } = reference;
  if ((csv === undefined) === (points === undefined)) {
    const fault = {
      path: ['reference'],
      rule: 'reference-form',
      message: 'the reference is given neither, or both, as csv and points',
      remedy: 'Give it once: csv as text, or points as pairs of shift and intensity.',
    };
    return { ok: false, faults: [fault] };
  }
  const text = csv ?? (points ?? []).map((point) => `${point.join(',')}\n`).join('');
  const bytes = new TextEncoder().encode(text);
  const read = readReferenceSpectrum(bytes, text);
  if (read.ok) return { ok: true, given: { bytes, spectrum: read.reference } };
  const { line, message, remedy } = read;
  const path: DocumentPath =
    points === undefined ? ['reference', 'csv'] : ['reference', 'points', line - 1];
  const where = points === undefined ? `line ${line}: ${message}` : message;
  return { ok: false, faults: [{ path, rule: 'reference-spectrum', message: where, remedy }] };
}

function versionFaults(
  entry: MethodEntry,
  supersedes: readonly string[],
  registered: ReadonlySet<string>,
): RuleFault[] {
  const named: [string, readonly string[]][] = [
    ['supersedes', supersedes],
    ['inForceBeside', entry.inForceBeside ?? []],
  ];
  return named.flatMap(([key, versions]) =>
    versions.flatMap((version, index) => {
      if (version !== entry.version && registered.has(version)) return [];
      return [
        {
          path: [key, index],
          rule: 'unknown-version',
          message:
            version === entry.version
              ? `version ${version} names itself`
              : `version ${version} of ${entry.id} is not registered`,
          remedy: `Name a registered version: ${[...registered].filter((v) => v !== entry.version).join(', ') || 'there is none'}.`,
        },
      ];
    }),
  );
}

/** The rules of the site folder speak of `/methods/0/…`, and of the file they are in. */
function inBody(fault: RuleFault): RuleFault {
  const message = fault.message.replace(/is not in this file$/, 'is not in the site folder');
  return { ...fault, message, path: fault.path.slice(2) };
}

function placed({ path, rule, message, remedy }: RuleFault): ProposalFault {
  const pointer = path
    .map((step) => `/${String(step).replaceAll('~', '~0').replaceAll('/', '~1')}`)
    .join('');
  return { pointer, rule, message, remedy };
}
