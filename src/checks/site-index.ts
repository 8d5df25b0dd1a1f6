import type { Instrument, Material, Method, SiteFolder } from '../site/site-folder.js';

/** A site folder with its lists ready to be looked up; made once per folder. */
export interface SiteIndex {
  readonly folder: SiteFolder;
  readonly instruments: ReadonlyMap<string, Instrument>;
  readonly materials: ReadonlyMap<string, Material>;
  /** Versions of a method by its id. */
  readonly methods: ReadonlyMap<string, ReadonlyMap<string, Method>>;
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
  };
  indexes.set(folder, index);
  return index;
}

export function findMethod(index: SiteIndex, id: string, version: string): Method | null {
  return index.methods.get(id)?.get(version) ?? null;
}
