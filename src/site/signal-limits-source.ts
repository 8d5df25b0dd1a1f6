import { rangeFaults } from './reference-range.js';
import { readReferenceSpectrum } from './reference-spectrum.js';
import { type SchemaCheck, schemaFaults } from './schema-faults.js';
import type {
  Limit,
  MethodSignal,
  PackagingSignal,
  Region,
  SignalLimits,
} from './signal-limits.js';
import type { DocumentPath, RuleFault, SiteFault } from './site-fault.js';
import type { SiteFile } from './site-file.js';
import { holeFaults } from './site-references.js';
import type { FolderContent } from './site-source.js';
import { placed, readYaml } from './yaml-source.js';

export const SIGNAL_LIMITS_FILE = 'signal-limits.yaml';

/** `signal-limits.yaml` as it is written, after it passed its schema. */
interface SignalLimitsFile extends Partial<Omit<SignalLimits, 'packaging'>> {
  readonly packaging?: readonly PackagingEntry[];
}

interface PackagingEntry {
  readonly name: string;
  readonly source: string;
  readonly bands?: PackagingSignal['bands'];
  readonly bandsMin?: number;
  /** File in the site folder. */
  readonly reference?: string;
  readonly range?: Region;
  readonly scoreMin?: Limit;
}

export interface SignalLimitsRead {
  /** null when the folder has no such file, or one with faults. */
  readonly limits: SignalLimits | null;
  readonly faults: readonly SiteFault[];
}

/** Reads the optional `signal-limits.yaml`: schema, references, and names that `site.yaml` must know. */
export function readSignalLimits(
  folder: FolderContent,
  check: SchemaCheck,
  site: Pick<SiteFile, 'instruments' | 'methods' | 'materials'> | null,
): SignalLimitsRead {
  const text = Object.hasOwn(folder.texts, SIGNAL_LIMITS_FILE)
    ? folder.texts[SIGNAL_LIMITS_FILE]
    : undefined;
  if (text === undefined) return { limits: null, faults: [] };
  const read = readYaml(SIGNAL_LIMITS_FILE, text);
  if (!read.ok) return { limits: null, faults: read.faults };
  const { source } = read;
  const schema = schemaFaults(check(source.value));
  if (schema.length > 0) {
    return { limits: null, faults: schema.map((fault) => placed(source, fault)) };
  }
  const file = source.value as SignalLimitsFile;
  const packaging = (file.packaging ?? []).map((entry, index) =>
    readPackaging(entry, index, folder),
  );
  const faults = [
    ...(site === null ? [] : unknownNames(file, site)),
    ...(file.methods ?? []).flatMap(methodFaults),
    ...packaging.flatMap(({ faults: found }) => found),
  ].map((fault) => placed(source, fault));
  const inFiles = packaging.flatMap(({ inFile }) => inFile);
  const limits: SignalLimits = {
    detectors: file.detectors ?? [],
    peaks: file.peaks ?? {},
    ...(file.noiseCorrelationMax ? { noiseCorrelationMax: file.noiseCorrelationMax } : {}),
    methods: file.methods ?? [],
    packaging: packaging.map(({ signal }) => signal),
    lasers: file.lasers ?? [],
    ambientLight: file.ambientLight ?? {},
    pace: file.pace ?? {},
  };
  const all = [...faults, ...inFiles];
  return { limits: all.length === 0 ? limits : null, faults: all };
}

function unknownNames(
  file: SignalLimitsFile,
  site: Pick<SiteFile, 'instruments' | 'methods' | 'materials'>,
): RuleFault[] {
  const models = new Set(site.instruments.map(({ model }) => model));
  const methods = new Set(site.methods.map(({ id, version }) => `${id} version ${version}`));
  const materials = new Set(site.materials.map(({ code }) => code));
  return [
    ...named(
      'detectors',
      'model',
      file.detectors?.map(({ model }) => model),
      models,
    ),
    ...named(
      'methods',
      'method',
      file.methods?.map((m) => `${m.method} version ${m.version}`),
      methods,
    ),
    ...named(
      'lasers',
      'material',
      file.lasers?.map(({ material }) => material),
      materials,
    ),
    ...named(
      'packaging',
      'name',
      file.packaging?.map(({ name }) => name),
      null,
    ),
  ];
}

/** Names that `site.yaml` does not know, or that stand twice. */
function named(
  section: string,
  key: string,
  names: readonly string[] = [],
  known: ReadonlySet<string> | null,
): RuleFault[] {
  return names.flatMap((name, index): RuleFault[] => {
    const path: DocumentPath = [section, index, key];
    if (names.indexOf(name) < index) {
      const message = `${section} entry ${index + 1} repeats ${name}`;
      return [{ path, rule: 'duplicate-id', message, remedy: 'Write its limits in one entry.' }];
    }
    if (known === null || known.has(name)) return [];
    const message = `${key} ${JSON.stringify(name)} is not in site.yaml`;
    const remedy = 'Correct the spelling (case counts), or remove the entry.';
    return [{ path, rule: `unknown-${key}`, message, remedy }];
  });
}

const NEEDS_PEAK = [
  'heightMinCounts',
  'heightAtExposureMaxCounts',
  'signalToNoiseMin',
  'backgroundToHeightMax',
] as const;

function methodFaults(method: MethodSignal, index: number): RuleFault[] {
  const faults: RuleFault[] = [];
  for (const key of ['peak', 'noise'] as const) {
    faults.push(...regionFaults(method[key], ['methods', index, key]));
  }
  for (const key of NEEDS_PEAK) {
    if (method[key] === undefined || method.peak !== undefined) continue;
    faults.push({
      path: ['methods', index, key],
      rule: 'signal-region',
      message: `${key} has no region "peak" in which the band is measured`,
      remedy: 'Name the shifts between which the band of the method lies.',
    });
  }
  if (method.signalToNoiseMin !== undefined && method.noise === undefined) {
    faults.push({
      path: ['methods', index, 'signalToNoiseMin'],
      rule: 'signal-region',
      message: 'signalToNoiseMin has no region "noise" in which the noise is measured',
      remedy: 'Name a region in which the material has no band.',
    });
  }
  return faults;
}

function regionFaults(region: Region | undefined, path: DocumentPath): RuleFault[] {
  if (region === undefined || Number(region.from) < Number(region.to)) return [];
  const message = `the region runs from ${region.from} to ${region.to} cm-1`;
  return [{ path, rule: 'signal-region', message, remedy: 'Let it rise.' }];
}

interface PackagingRead {
  readonly signal: PackagingSignal;
  readonly faults: readonly RuleFault[];
  readonly inFile: readonly SiteFault[];
}

function readPackaging(entry: PackagingEntry, index: number, folder: FolderContent): PackagingRead {
  const path = (key: string): DocumentPath => ['packaging', index, key];
  const signal: PackagingSignal = {
    name: entry.name,
    source: entry.source,
    bands: entry.bands ?? [],
    bandsMin: entry.bandsMin ?? null,
    reference: null,
  };
  const faults = incompletePackaging(entry, index);
  if (entry.reference === undefined || entry.range === undefined || entry.scoreMin === undefined) {
    return { signal, faults, inFile: [] };
  }
  faults.push(...regionFaults(entry.range, path('range')));
  const bytes = folder.bytes.get(entry.reference);
  const text = Object.hasOwn(folder.texts, entry.reference)
    ? folder.texts[entry.reference]
    : undefined;
  if (bytes === undefined || text === undefined) {
    const message = `there is no file ${entry.reference} in the site folder`;
    const remedy = 'Add the file, or correct its name.';
    faults.push({ path: path('reference'), rule: 'unknown-file', message, remedy });
    return { signal, faults, inFile: [] };
  }
  const read = readReferenceSpectrum(bytes, text);
  if (!read.ok) {
    const { line, message, remedy } = read;
    const at = { file: entry.reference, line, column: 1 };
    return { signal, faults, inFile: [{ ...at, rule: 'reference-spectrum', message, remedy }] };
  }
  const { range, scoreMin } = entry;
  const stretch = { of: `packaging ${entry.name}`, range };
  faults.push(...rangeFaults(stretch, read.reference, path('reference')));
  return {
    signal: { ...signal, reference: { spectrum: read.reference, range, scoreMin } },
    faults,
    inFile: holeFaults(stretch, read.reference, { name: entry.reference, text }),
  };
}

function incompletePackaging(entry: PackagingEntry, index: number): RuleFault[] {
  const faults: RuleFault[] = [];
  const together = (keys: readonly (keyof PackagingEntry)[]) => {
    const absent = keys.filter((key) => entry[key] === undefined);
    if (absent.length === 0 || absent.length === keys.length) return;
    faults.push({
      path: ['packaging', index, keys.find((key) => entry[key] !== undefined) ?? 'name'],
      rule: 'packaging-incomplete',
      message: `${entry.name} lacks ${absent.join(' and ')}`,
      remedy: `Write ${keys.join(', ')} together, or none of them.`,
    });
  };
  together(['bands', 'bandsMin']);
  together(['reference', 'range', 'scoreMin']);
  if ((entry.bandsMin ?? 0) > (entry.bands ?? []).length) {
    faults.push({
      path: ['packaging', index, 'bandsMin'],
      rule: 'packaging-incomplete',
      message: `${entry.bandsMin} bands are asked for, ${(entry.bands ?? []).length} are listed`,
      remedy: 'Ask for as many as are listed, or fewer.',
    });
  }
  return faults;
}
