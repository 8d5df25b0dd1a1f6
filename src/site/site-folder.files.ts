import { canonicalDigest, type Sha256, sha256 } from '../formats/canonical-json.js';
import { type FolderFiles, readFolderFiles } from './folder-files.files.js';
import { INBOUND_SUFFIX, type InboundSource, readInbound } from './inbound-source.js';
import type { MappingDocument } from './mapping-document.js';
import { MAPPING_SUFFIX, type MappingSource, readMapping } from './mapping-source.js';
import { readPerformance } from './performance-source.js';
import { inboundSchema, mappingSchema, performanceSchema, siteSchema } from './schemas.files.js';
import { inReadingOrder, type SiteFault } from './site-fault.js';
import type { SiteFolder } from './site-folder.js';
import { buildSite, readSite } from './site-source.js';
import type { EnvironmentVariables } from './substitution.js';

export interface LoadedSiteFolder {
  readonly ok: true;
  readonly site: SiteFolder;
  /** Text of every file by name relative to the folder: what ran can be shown later. */
  readonly files: Readonly<Record<string, string>>;
  readonly mappings: ReadonlyMap<string, MappingDocument>;
  /** Files of the reference spectra by their SHA-256. */
  readonly referenceBytes: ReadonlyMap<string, Uint8Array>;
  /** The same mappings with digest, content and positions, for checking and activation. */
  readonly mappingSources: ReadonlyMap<string, MappingSource>;
  /** How documents of each source become receipt lines. */
  readonly inboundSources: ReadonlyMap<string, InboundSource>;
}

export interface RefusedSiteFolder {
  readonly ok: false;
  /** Every fault found, in reading order. */
  readonly faults: readonly SiteFault[];
  /** Mappings that could be read all the same, so that their own rules can be checked too. */
  readonly mappingSources: ReadonlyMap<string, MappingSource>;
  readonly inboundSources: ReadonlyMap<string, InboundSource>;
}

/**
 * Reads a site folder: `site.yaml`, `performance-checks.yaml`, `<destination>.mapping.yaml`, `<source>.inbound.yaml`,
 * code tables, contracts and reference spectra. The digest is taken of the raw files; only then are environment variables
 * filled in where a destination lives. All faults are reported at once, each with file, line, rule and remedy.
 */
export async function loadSiteFolder(
  directory: string,
  env: EnvironmentVariables,
): Promise<LoadedSiteFolder | RefusedSiteFolder> {
  const folder = await readFolderOrFault(directory);
  const faults: SiteFault[] = [...folder.faults];
  const mappingSources = new Map<string, MappingSource>();
  const documents = new Map<string, MappingDocument | null>();
  for (const name of Object.keys(folder.texts).filter(isMappingFile)) {
    const destination = name.slice(0, -MAPPING_SUFFIX.length);
    const read = readMapping(folder.texts, destination, mappingSchema());
    if (read.ok) mappingSources.set(destination, read.mapping);
    else faults.push(...read.faults);
    documents.set(destination, read.ok ? read.mapping.document : null);
  }
  const inboundSources = new Map<string, InboundSource>();
  for (const name of Object.keys(folder.texts).filter(isInboundFile)) {
    const source = name.slice(0, -INBOUND_SUFFIX.length);
    const read = readInbound(folder.texts, source, inboundSchema());
    if (read.ok) inboundSources.set(source, read.inbound);
    else faults.push(...read.faults);
  }
  const read = readSite(folder, documents, siteSchema(), env);
  faults.push(...read.faults);
  const serials = read.file && new Set(read.file.instruments.map(({ serial }) => serial));
  const performance = readPerformance(folder.texts, serials, performanceSchema());
  faults.push(...performance.faults);
  if (faults.length > 0 || read.file === null) {
    return { ok: false, faults: inReadingOrder(faults), mappingSources, inboundSources };
  }
  return {
    ok: true,
    site: buildSite(read.file, read.references, folderDigest(folder), performance.settings),
    files: folder.texts,
    referenceBytes: new Map(
      [...read.references].map(([name, { sha256: digest }]) => [
        digest,
        folder.bytes.get(name) ?? new Uint8Array(),
      ]),
    ),
    mappings: new Map([...mappingSources].map(([name, source]) => [name, source.document])),
    mappingSources,
    inboundSources,
  };
}

function isMappingFile(name: string): boolean {
  return name.endsWith(MAPPING_SUFFIX) && !name.includes('/');
}

function isInboundFile(name: string): boolean {
  return name.endsWith(INBOUND_SUFFIX) && !name.includes('/');
}

/** SHA-256 over the sorted list of file names and their digests. */
function folderDigest(folder: FolderFiles): Sha256 {
  const names = [...folder.bytes.keys()].sort();
  return canonicalDigest(names.map((name) => [name, sha256(folder.bytes.get(name) ?? '')]));
}

async function readFolderOrFault(directory: string): Promise<FolderFiles> {
  try {
    return await readFolderFiles(directory);
  } catch (error) {
    const code = (error as NodeJS.ErrnoException).code;
    if (code === undefined) throw error;
    const message = `the folder ${directory} cannot be read (${code})`;
    const remedy = 'Name the site folder with --site-folder or DRUMLINE_SITE_FOLDER.';
    return {
      bytes: new Map(),
      texts: {},
      faults: [{ file: 'site.yaml', line: 1, column: 1, rule: 'site-folder', message, remedy }],
    };
  }
}
