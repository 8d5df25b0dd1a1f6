import type { Sha256 } from '../formats/canonical-json.js';
import type {
  Instrument,
  Material,
  Method,
  ReferenceSpectrum,
  SiteFolder,
} from '../site/site-folder.js';
import { intensityDigest } from './intensity-digest.js';
import type { SetReference } from './reference-set.js';

/** A site folder with its lists ready to be looked up; made once per folder. */
export interface SiteIndex {
  readonly folder: SiteFolder;
  readonly instruments: ReadonlyMap<string, Instrument>;
  readonly materials: ReadonlyMap<string, Material>;
  /** Versions of a method by its id. */
  readonly methods: ReadonlyMap<string, ReadonlyMap<string, Method>>;
  /** The reference set: curves of methods, and those besides, each with the instrument models it stands for. */
  readonly references: readonly (SetReference & { readonly models: readonly string[] | null })[];
  /** Names of references by `intensityDigest`: those of the set, and of every method version, whatever became of it. */
  readonly referenceDigests: ReadonlyMap<Sha256, string>;
  /** By model of an instrument, filled in as they are asked for. */
  readonly referencesByModel: Map<string | null, readonly SetReference[]>;
}

const indexes = new WeakMap<SiteFolder, SiteIndex>();

export function indexOfSite(folder: SiteFolder): SiteIndex {
  const known = indexes.get(folder);
  if (known !== undefined) return known;
  const methods = new Map<string, Map<string, Method>>();
  for (const method of folder.methods) {
    const versions = methods.get(method.id) ?? new Map<string, Method>();
    methods.set(method.id, versions.set(method.version, method));
  }
  const index = {
    folder,
    instruments: new Map(folder.instruments.map((i) => [i.serial, i])),
    materials: new Map(folder.materials.map((m) => [m.code, m])),
    methods,
    references: referenceSet(folder),
    referenceDigests: referenceDigests(folder),
    referencesByModel: new Map(),
  };
  indexes.set(folder, index);
  return index;
}

/** References that stand for instruments of a model; of a model nobody registered, those that stand for all. */
export function referencesFor(index: SiteIndex, model: string | null): readonly SetReference[] {
  const known = index.referencesByModel.get(model);
  if (known !== undefined) return known;
  const found = index.references.filter(
    ({ models }) => models === null || (model !== null && models.includes(model)),
  );
  index.referencesByModel.set(model, found);
  return found;
}

function referenceSet(folder: SiteFolder): SiteIndex['references'] {
  const ofMethods = folder.methods
    .filter(stands)
    .flatMap(({ id, material, reference }) =>
      reference === null ? [] : [{ material, name: id, spectrum: reference, models: null }],
    );
  const others = (folder.references ?? []).map(({ material, file, models, spectrum }) => {
    return { material, name: file, spectrum, models };
  });
  const seen = new Set<string>();
  return [...ofMethods, ...others].filter(({ material, spectrum, models }) => {
    const key = JSON.stringify([material, spectrum.sha256, models]);
    return !seen.has(key) && seen.add(key);
  });
}

function referenceDigests(folder: SiteFolder): ReadonlyMap<Sha256, string> {
  const ofMethods = folder.methods.map(({ id, reference }) => ({ name: id, spectrum: reference }));
  const others = (folder.references ?? []).map(({ file, spectrum }) => ({ name: file, spectrum }));
  const digests = new Map<Sha256, string>();
  for (const { name, spectrum } of [...ofMethods, ...others]) {
    const digest = spectrum === null ? null : digestOf(spectrum);
    if (digest !== null && !digests.has(digest)) digests.set(digest, name);
  }
  return digests;
}

const digestsKept = new WeakMap<ReferenceSpectrum, Sha256 | null>();

/** Kept, since the registry is read anew more often than its references change. */
function digestOf(spectrum: ReferenceSpectrum): Sha256 | null {
  const known = digestsKept.get(spectrum);
  if (known !== undefined) return known;
  const digest = intensityDigest(spectrum.intensity);
  digestsKept.set(spectrum, digest);
  return digest;
}

/** A version that was found wrong, that ends, or that the folder does not list any more lends its curve to nothing. */
function stands({ force }: Method): boolean {
  if (force === undefined) return true;
  const { invalidatedAt, retiredAt, absent } = force;
  return invalidatedAt === null && retiredAt === null && absent.every((gap) => gap.to !== null);
}

export function findMethod(index: SiteIndex, id: string, version: string): Method | null {
  return index.methods.get(id)?.get(version) ?? null;
}
