import { coversRange, holeFault, rangeFaults, type Stretch } from './reference-range.js';
import { lineOfShift, readReferenceSpectrum } from './reference-spectrum.js';
import type { DocumentPath, RuleFault, SiteFault } from './site-fault.js';
import type { MethodEntry, ReferenceEntry, SiteFile } from './site-file.js';
import type { ReferenceSpectrum } from './site-folder.js';

export interface References {
  /** By file name; a file that several entries name is read once. */
  readonly found: ReadonlyMap<string, ReferenceSpectrum>;
  readonly inSite: readonly RuleFault[];
  readonly inFiles: readonly SiteFault[];
}

interface Named {
  readonly name: string;
  readonly path: DocumentPath;
  /** Set when the curve has to cover its range. */
  readonly method: MethodEntry | null;
}

/** Reads the reference spectra that methods and the reference set name. */
export function readReferences(
  site: Partial<SiteFile>,
  folder: {
    readonly bytes: ReadonlyMap<string, Uint8Array>;
    readonly texts: Readonly<Record<string, string>>;
  },
): References {
  const found = new Map<string, ReferenceSpectrum>();
  const broken = new Set<string>();
  const inSite: RuleFault[] = [];
  const inFiles: SiteFault[] = [];
  for (const { name, path, method } of namedReferences(site)) {
    const bytes = folder.bytes.get(name);
    const text = Object.hasOwn(folder.texts, name) ? folder.texts[name] : undefined;
    if (bytes === undefined || text === undefined) {
      const message = `there is no file ${name} in the site folder`;
      const remedy = 'Add the file, or correct its name.';
      inSite.push({ path, rule: 'unknown-file', message, remedy });
      continue;
    }
    if (!found.has(name) && !broken.has(name)) {
      const read = readReferenceSpectrum(bytes, text);
      if (read.ok) found.set(name, read.reference);
      else {
        broken.add(name);
        const { line, message, remedy } = read;
        inFiles.push({ file: name, line, column: 1, rule: 'reference-spectrum', message, remedy });
      }
    }
    const reference = found.get(name);
    if (method !== null && reference !== undefined) {
      const stretch = { of: `method ${method.id}`, range: method.range };
      inSite.push(...rangeFaults(stretch, reference, path));
      inFiles.push(...holeFaults(stretch, reference, { name, text }));
    }
  }
  return { found, inSite, inFiles };
}

/** A hole is named where the curve goes on behind it, in its file. */
export function holeFaults(
  stretch: Stretch,
  reference: ReferenceSpectrum,
  { name, text }: { readonly name: string; readonly text: string },
): SiteFault[] {
  const found = holeFault(stretch, reference);
  if (found === null) return [];
  const { hole, ...fault } = found;
  return [{ file: name, line: lineOfShift(text, hole.before), column: 1, ...fault }];
}

function namedReferences(site: Partial<SiteFile>): Named[] {
  return [
    ...(site.methods ?? []).flatMap((method, index): Named[] =>
      method.reference === null
        ? []
        : [{ name: method.reference, path: ['methods', index, 'reference'], method }],
    ),
    ...(site.references ?? []).map(
      ({ file }, index): Named => ({
        name: file,
        path: ['references', index, 'file'],
        method: null,
      }),
    ),
  ];
}

/** A curve that the results of methods are compared with. */
export interface ComparedReference {
  readonly material: string;
  readonly name: string;
  /** null when its file has faults of its own. */
  readonly spectrum: ReferenceSpectrum | null;
}

/** Margins that methods of a site folder ask for, against its reference set. */
export function marginFaults(
  site: Partial<SiteFile>,
  found: ReadonlyMap<string, ReferenceSpectrum>,
): RuleFault[] {
  const named: ReferenceEntry[] = [
    ...(site.references ?? []),
    ...(site.methods ?? []).flatMap(({ material, reference }) =>
      reference === null ? [] : [{ material, file: reference }],
    ),
  ];
  const set = named.map(({ material, file }): ComparedReference => {
    return { material, name: file, spectrum: found.get(file) ?? null };
  });
  return (site.methods ?? []).flatMap((method, index) =>
    marginFaultsOf(method, set, ['methods', index]),
  );
}

/**
 * A margin is to every other material of the reference set: without another one, or with a curve that does
 * not cover the method's range, the test would pass over the material that could be mistaken.
 *
 * @param at where the method stands in its document
 */
export function marginFaultsOf(
  method: MethodEntry,
  set: readonly ComparedReference[],
  at: DocumentPath,
): RuleFault[] {
  if ((method.asks?.margin ?? null) === null) return [];
  const path: DocumentPath = [...at, 'asks', 'margin'];
  const others = set.filter(({ material }) => material !== method.material);
  if (others.length === 0) {
    const message = `method ${method.id} asks for a margin, and no other material has a reference`;
    const remedy = 'Add references of the materials it could be mistaken for.';
    return [{ path, rule: 'margin-without-others', message, remedy }];
  }
  const short = others.find(
    ({ spectrum }) => spectrum !== null && !coversRange(spectrum, method.range),
  );
  if (short === undefined) return [];
  const message = `method ${method.id} asks for a margin from ${method.range.from} to ${method.range.to} cm-1, which the reference ${short.name} of ${short.material} does not cover without a hole`;
  const remedy =
    'Store a longer curve of it with all of its points, or narrow the range of the method.';
  return [{ path, rule: 'margin-reference-too-short', message, remedy }];
}
