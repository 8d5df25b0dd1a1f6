import { sql } from 'kysely';
import { uuidv7 } from 'uuidv7';
import { SiteFolderOutdated } from '../errors.js';
import { canonicalJson, type Sha256, sha256 } from '../formats/canonical-json.js';
import { validityOf } from '../signatures/shown-document.js';
import { signaturesByIds } from '../signatures/signatures.store.js';
import { readRegisteredReference } from '../site/reference-spectrum.js';
import type { DecisionRecord, Method, ReferenceSpectrum } from '../site/site-folder.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';
import type { MethodEventRow, MethodVersionRow } from '../storage/tables.js';
import { proposedMethod } from './proposed-method.js';
import {
  judgedMethod,
  type MethodContent,
  type MethodEvent,
  type ProposedDates,
  type RegisteredVersion,
} from './registered-method.js';

/** A version with everything that became of it. */
export interface RegistryEntry {
  readonly version: RegisteredVersion;
  readonly events: readonly MethodEvent[];
  /** As results are judged by it; null while nobody put it in force. */
  readonly method: Method | null;
}

/** What of a site says how results are judged by methods. */
export interface JudgedSite {
  readonly site: string;
  /** Of the folder that all of it was read from; left out where there is none. */
  readonly digest?: string | undefined;
  readonly methods: readonly Method[];
  readonly decisions: readonly DecisionRecord[];
}

export interface SiteInForce<S extends JudgedSite> {
  readonly site: S;
  /** Names the state of the registry it was read from; null where nothing was registered yet. */
  readonly state: string | null;
}

const statesInForce = prepared((db, of: { readonly site: string }) =>
  db.selectNoFrom((e) => [
    e.selectFrom('method_registry').select('state').where('site', '=', of.site).as('registry'),
    e
      .selectFrom('site')
      .select('digest')
      .where('site', '=', of.site)
      .orderBy('activated_at', 'desc')
      .limit(sql.lit(1))
      .as('folder'),
  ]),
);

/** Names the state of a site's registry; null where nothing was registered yet. */
export async function stateOfRegistry(reader: Reader, site: string): Promise<string | null> {
  const { rows } = await statesInForce(reader, { site });
  return rows[0]?.registry ?? null;
}

/** False when another folder than this one was activated since: what this process knows of the site is out of date. */
export async function isFolderInForce(reader: Reader, of: JudgedSite): Promise<boolean> {
  const { rows } = await statesInForce(reader, { site: of.site });
  return isOf(of, rows[0]?.folder ?? null);
}

/**
 * For an act that rests on what a process itself knows of the site (its mappings, what its destinations can do), in the
 * transaction of the act. Nothing is locked: an activation that is committed later than this is one that came later.
 *
 * @throws SiteFolderOutdated when another folder was activated since
 */
export async function requireFolderInForce(trx: Trx, site: JudgedSite): Promise<void> {
  const { rows } = await statesInForce(trx, { site: site.site });
  requireOf(site, rows[0]?.folder ?? null);
}

function requireOf(site: JudgedSite, activated: string | null): void {
  if (!isOf(site, activated)) throw new SiteFolderOutdated(site.digest ?? '', activated ?? '');
}

function isOf({ digest }: JudgedSite, activated: string | null): boolean {
  return digest === undefined || activated === null || activated === digest;
}

const inForce = new WeakMap<JudgedSite, SiteInForce<JudgedSite>>();

/**
 * A site with the methods of its registry in place of those of its folder, as the reader sees the registry now. What
 * was read is kept by the name of its state, never by time, so that no process judges by a registry that was changed:
 * whoever acts on the answer shares the site's evidence, which every change of the registry locks, and every start.
 *
 * @throws SiteFolderOutdated when another folder was activated since: plans, materials and instruments are others too.
 */
export async function siteInForce<S extends JudgedSite>(
  reader: Reader,
  site: S,
): Promise<SiteInForce<S>> {
  for (;;) {
    const { rows } = await statesInForce(reader, { site: site.site });
    const { registry: state, folder } = rows[0] ?? { registry: null, folder: null };
    requireOf(site, folder);
    if (state === null) return { site, state };
    const known = inForce.get(site);
    // Made from this very site below.
    if (known?.state === state) return known as SiteInForce<S>;
    const entries = await registryEntries(reader, site.site, knownReferences(site, known));
    // One that was changed while it was read is read again.
    if ((await stateOfRegistry(reader, site.site)) !== state) continue;
    const read = { site: Object.freeze(withRegistry(site, entries)), state };
    inForce.set(site, read);
    return read;
  }
}

function withRegistry<S extends JudgedSite>(site: S, entries: readonly RegistryEntry[]): S {
  const methods = entries.flatMap(({ method }) => (method === null ? [] : [method]));
  const here = new Set(site.decisions.map((d) => d.id));
  // Of versions that left the folder: their approvals rest on decisions that may have left it too.
  const kept = new Map<string, DecisionRecord>();
  for (const { events } of entries) {
    for (const event of events) {
      if (event.kind !== 'listed') continue;
      for (const decision of event.dates.decisions) {
        if (!here.has(decision.id)) kept.set(decision.id, decision);
      }
    }
  }
  return { ...site, methods, decisions: [...site.decisions, ...kept.values()] };
}

/** References that are read already: a site has many, and a change of the registry touches few. */
function knownReferences(
  site: JudgedSite,
  known: SiteInForce<JudgedSite> | undefined,
): Map<string, ReferenceSpectrum> {
  const all = [...site.methods, ...(known?.site.methods ?? [])];
  return new Map(all.flatMap(({ reference: r }) => (r === null ? [] : [[r.sha256, r]])));
}

/** Every version of a site, by id and then in the order in which they were registered. */
export async function registryEntries(
  reader: Reader,
  site: string,
  known: ReadonlyMap<string, ReferenceSpectrum> = new Map(),
  only?: { readonly id: string; readonly version: string },
): Promise<RegistryEntry[]> {
  const versions = await reader
    .selectFrom('method_version')
    .selectAll()
    .where('site', '=', site)
    .$if(only !== undefined, (q) =>
      q.where('method_id', '=', only?.id ?? '').where('version', '=', only?.version ?? ''),
    )
    .orderBy('method_id')
    .orderBy('proposed_at')
    .orderBy('version')
    .execute();
  const events = await reader
    .selectFrom('method_event')
    .selectAll()
    .where('site', '=', site)
    .$if(only !== undefined, (q) =>
      q.where('method_id', '=', only?.id ?? '').where('version', '=', only?.version ?? ''),
    )
    .orderBy('number')
    .execute();
  const byVersion = new Map<string, MethodEventRow[]>();
  for (const event of events) {
    const key = keyOf(event);
    byVersion.set(key, [...(byVersion.get(key) ?? []), event]);
  }
  const references = await referencesOf(reader, versions, known);
  const entries: RegistryEntry[] = [];
  for (const row of versions) {
    const rows = byVersion.get(keyOf(row)) ?? [];
    const version = versionOf(row);
    const reference = references.get(row.reference_sha256 ?? '') ?? null;
    const holds = await validApprovals(reader, site, version, rows);
    const became = rows.map(eventOf);
    const method = judgedMethod(version, became, reference, holds);
    entries.push({ version, events: became, method });
  }
  return entries;
}

/** Signatures of approvals that are as they were made, of the content as it is stored now. */
async function validApprovals(
  reader: Reader,
  site: string,
  version: RegisteredVersion,
  rows: readonly MethodEventRow[],
): Promise<ReadonlySet<string>> {
  const ids = rows.flatMap((r) =>
    r.kind === 'approved' && r.signature_id !== null ? [r.signature_id] : [],
  );
  if (ids.length === 0) return NONE;
  const signatures = await signaturesByIds(reader, site, ids);
  const current = proposedMethod(version);
  return new Set(
    signatures
      .filter((s) => s.meaning === 'approved' && validityOf(s, current).kind === 'valid')
      .map((s) => s.id),
  );
}

const NONE: ReadonlySet<string> = new Set();

async function referencesOf(
  reader: Reader,
  versions: readonly MethodVersionRow[],
  known: ReadonlyMap<string, ReferenceSpectrum>,
): Promise<ReadonlyMap<string, ReferenceSpectrum>> {
  const found = new Map<string, ReferenceSpectrum>();
  for (const { reference_sha256: digest } of versions) {
    if (digest === null || found.has(digest)) continue;
    const kept = known.get(digest) ?? (await readReference(reader, digest));
    found.set(digest, kept);
  }
  return found;
}

async function readReference(reader: Reader, digest: string): Promise<ReferenceSpectrum> {
  const bytes = await referenceBytes(reader, digest);
  if (bytes === null || sha256(bytes) !== digest) {
    throw new Error(`reference ${digest} of the method registry is missing or was altered`);
  }
  const read = readRegisteredReference(bytes);
  if (!read.ok) throw new Error(`reference ${digest} cannot be read any more: ${read.message}`);
  return read.reference;
}

/** A reference as it was registered; null when there is none. */
export async function referenceBytes(reader: Reader, digest: string): Promise<Uint8Array | null> {
  const row = await reader
    .selectFrom('method_reference')
    .select('bytes')
    .where('sha256', '=', digest)
    .executeTakeFirst();
  return row?.bytes ?? null;
}

/** Whoever changes the registry takes its row first, and gives its state another name: see `siteInForce`. */
export async function changeRegistry(trx: Trx, site: string): Promise<void> {
  const state = uuidv7();
  await trx
    .insertInto('method_registry')
    .values({ site, state })
    .onConflict((c) => c.column('site').doUpdateSet({ state }))
    .execute();
}

export async function insertVersion(
  trx: Trx,
  site: string,
  version: RegisteredVersion,
  reference: Uint8Array | null,
): Promise<void> {
  const { content } = version;
  if (reference !== null && content.referenceSha256 !== null) {
    await trx
      .insertInto('method_reference')
      .values({ sha256: content.referenceSha256, bytes: reference })
      .onConflict((c) => c.column('sha256').doNothing())
      .execute();
  }
  await trx
    .insertInto('method_version')
    .values({
      site,
      method_id: content.id,
      version: content.version,
      content: canonicalJson(content),
      content_digest: version.contentDigest,
      reference_sha256: content.referenceSha256,
      source: version.source,
      site_folder: version.siteFolder,
      proposal: version.proposal === null ? null : canonicalJson(version.proposal),
      proposed_by: version.proposedBy,
      proposed_at: version.proposedAt,
    })
    .execute();
}

/** Adds what became of a version, behind what became of it before. */
export async function insertEvent(
  trx: Trx,
  site: string,
  of: { readonly id: string; readonly version: string },
  event: MethodEvent,
): Promise<void> {
  const last = await trx
    .selectFrom('method_event')
    .select((eb) => eb.fn.max('number').as('number'))
    .where('site', '=', site)
    .where('method_id', '=', of.id)
    .where('version', '=', of.version)
    .executeTakeFirst();
  const { kind, at, ...rest } = event;
  const { signatureId, ...detail } = { signatureId: null, ...rest };
  await trx
    .insertInto('method_event')
    .values({
      id: uuidv7(),
      site,
      method_id: of.id,
      version: of.version,
      number: Number(last?.number ?? 0) + 1,
      kind,
      at,
      detail: JSON.stringify(detail),
      signature_id: signatureId,
    })
    .execute();
}

function versionOf(row: MethodVersionRow): RegisteredVersion {
  return {
    content: JSON.parse(row.content) as MethodContent,
    contentDigest: row.content_digest as Sha256,
    source: row.source,
    siteFolder: row.site_folder,
    proposal: row.proposal === null ? null : (JSON.parse(row.proposal) as ProposedDates),
    proposedBy: row.proposed_by,
    proposedAt: row.proposed_at,
  };
}

function eventOf(row: MethodEventRow): MethodEvent {
  const detail = JSON.parse(row.detail) as Record<string, unknown>;
  const signature = row.signature_id === null ? {} : { signatureId: row.signature_id };
  // Written by `insertEvent` from such an event.
  return { kind: row.kind, at: row.at, ...detail, ...signature } as unknown as MethodEvent;
}

function keyOf(row: { readonly method_id: string; readonly version: string }): string {
  return JSON.stringify([row.method_id, row.version]);
}
