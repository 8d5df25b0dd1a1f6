import type { Sha256 } from '../formats/canonical-json.js';
import { destinationFaults } from './destination-rules.js';
import type { MappingDocument } from './mapping-document.js';
import { checkedInstant, methodOf } from './method-of-entry.js';
import type { PerformanceSettings } from './performance-settings.js';
import { knownIds, originalIndexes, readableParts } from './readable-parts.js';
import { type SchemaCheck, schemaFaults } from './schema-faults.js';
import type { SignalLimits } from './signal-limits.js';
import type { RuleFault, SiteFault } from './site-fault.js';
import type { InstrumentEntry, MethodEntry, ReferenceEntry, SiteFile } from './site-file.js';
import {
  DEFAULT_SESSIONS,
  type Instrument,
  type Method,
  type ReferenceSpectrum,
  type SiteFolder,
  type SiteReference,
} from './site-folder.js';
import { marginFaults, readReferences } from './site-references.js';
import { siteRuleFaults } from './site-rules.js';
import { type EnvironmentVariables, misplacedPlaceholders, substituted } from './substitution.js';
import { placed, readYaml, type YamlSource } from './yaml-source.js';

const FILE = 'site.yaml';

/** What is known of a folder's files: bytes and texts by name. */
export interface FolderContent {
  readonly bytes: ReadonlyMap<string, Uint8Array>;
  readonly texts: Readonly<Record<string, string>>;
}

export interface SiteRead {
  /** Null when the file could not be read at all; usable only when there are no faults. */
  readonly file: SiteFile | null;
  readonly references: ReadonlyMap<string, ReferenceSpectrum>;
  readonly faults: readonly SiteFault[];
}

/** Reads `site.yaml`: schema, substitution, every cross rule, reference spectra. */
export function readSite(
  folder: FolderContent,
  mappings: ReadonlyMap<string, MappingDocument | null>,
  check: SchemaCheck,
  env: EnvironmentVariables,
): SiteRead {
  const text = Object.hasOwn(folder.texts, FILE) ? folder.texts[FILE] : undefined;
  if (text === undefined) return { file: null, references: new Map(), faults: [missingSite()] };
  const read = readYaml(FILE, text);
  if (!read.ok) return { file: null, references: new Map(), faults: read.faults };
  const { source } = read;
  const schema = schemaFaults(check(source.value));
  const broken = schema.map((fault) => fault.path);
  const raw = readableParts(source.value, broken);
  const filled = substituted(raw.destinations ?? [], env);
  const site: Partial<SiteFile> = { ...raw, destinations: filled.destinations };
  const references = readReferences(raw, folder);
  const restore = originalIndexes(source.value, broken);
  const rules = [
    ...misplacedPlaceholders(raw),
    ...filled.faults,
    ...siteRuleFaults(site, knownIds(source.value)),
    ...destinationFaults(site, mappings),
    ...strayMappings(site, mappings, source),
    ...references.inSite,
    ...marginFaults(site, references.found),
  ].map((fault) => ({ ...fault, path: restore(fault.path) }));
  const faults = [...schema, ...rules].map((fault) => placed(source, fault));
  return {
    file: schema.length === 0 ? (site as SiteFile) : null,
    references: references.found,
    faults: [...faults, ...references.inFiles],
  };
}

/** The frozen value the service runs from. Call only with a file and references that have no faults. */
export function buildSite(
  file: SiteFile,
  references: ReadonlyMap<string, ReferenceSpectrum>,
  digest: Sha256,
  performance: PerformanceSettings | null,
  signal: SignalLimits | null,
): SiteFolder {
  const { attributePlans, ...rest } = file;
  return deepFreeze({
    ...rest,
    signal,
    performance,
    instruments: file.instruments.map(buildInstrument),
    escalation: file.escalation ?? null,
    sessions: { ...DEFAULT_SESSIONS, ...file.sessions },
    methods: file.methods.map((entry) => buildMethod(entry, references)),
    references: (file.references ?? []).map((entry) => buildReference(entry, references)),
    plans: file.plans.map(scoped),
    ...(attributePlans === undefined ? {} : { attributePlans: attributePlans.map(scoped) }),
    digest,
  });
}

/** Left out, manufacturer and supplier match all. */
function scoped<
  Entry extends {
    readonly manufacturer?: string | null;
    readonly supplier?: string | null;
    readonly expires: string;
  },
>(entry: Entry) {
  return {
    ...entry,
    manufacturer: entry.manufacturer ?? null,
    supplier: entry.supplier ?? null,
    expires: checkedInstant(entry.expires),
  };
}

function buildInstrument(entry: InstrumentEntry): Instrument {
  const { inServiceSince, outOfService, ...rest } = entry;
  return {
    ...rest,
    ...(inServiceSince === undefined ? {} : { inServiceSince: checkedInstant(inServiceSince) }),
    ...(outOfService === undefined
      ? {}
      : {
          outOfService: outOfService.map(({ from, to = null, decision }) => ({
            from: checkedInstant(from),
            to: to === null ? null : checkedInstant(to),
            decision,
          })),
        }),
  };
}

function buildMethod(
  entry: MethodEntry,
  references: ReadonlyMap<string, ReferenceSpectrum>,
): Method {
  return methodOf(
    entry,
    entry.reference === null ? null : (references.get(entry.reference) ?? null),
  );
}

function buildReference(
  entry: ReferenceEntry,
  references: ReadonlyMap<string, ReferenceSpectrum>,
): SiteReference {
  const spectrum = references.get(entry.file);
  if (spectrum === undefined) throw new Error(`reference was not checked: ${entry.file}`);
  return { material: entry.material, file: entry.file, models: entry.models ?? null, spectrum };
}

function strayMappings(
  site: Partial<SiteFile>,
  mappings: ReadonlyMap<string, MappingDocument | null>,
  source: YamlSource,
): RuleFault[] {
  const written = (source.value as { destinations?: unknown } | null)?.destinations;
  if (site.destinations === undefined || !Array.isArray(written)) return [];
  const names = new Set(written.map((d: { name?: unknown } | null) => d?.name));
  return [...mappings.keys()]
    .filter((name) => !names.has(name))
    .map((name) => ({
      path: ['destinations'],
      onKey: true,
      rule: 'mapping-without-destination',
      message: `${name}.mapping.yaml maps for a destination that is not listed`,
      remedy: 'List the destination, or remove the mapping file.',
    }));
}

function missingSite(): SiteFault {
  return {
    file: FILE,
    line: 1,
    column: 1,
    rule: 'site-folder',
    message: 'the folder holds no site.yaml',
    remedy: 'Name the folder that holds it; mappings/northquay is an example.',
  };
}

/** Freezes objects and arrays all the way down; typed arrays cannot be frozen and are left. */
function deepFreeze<T>(value: T): T {
  if (typeof value === 'object' && value !== null && !ArrayBuffer.isView(value)) {
    for (const member of Object.values(value)) deepFreeze(member);
    Object.freeze(value);
  }
  return value;
}
