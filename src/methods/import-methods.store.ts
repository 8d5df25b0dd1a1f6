import { recordAudit } from '../audit/audit.store.js';
import { Misconfigured } from '../errors.js';
import { canonicalJson } from '../formats/canonical-json.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import { lockSiteEvidence } from '../receipts/facts.store.js';
import type { LoadedSiteFolder } from '../site/site-folder.files.js';
import type { Method, SiteFolder } from '../site/site-folder.js';
import type { Trx } from '../storage/database.js';
import {
  changeRegistry,
  insertEvent,
  insertVersion,
  type RegistryEntry,
  registryEntries,
} from './method-registry.store.js';
import { methodSubject } from './proposed-method.js';
import {
  changedMembers,
  contentOf,
  isSameContent,
  type ListedDates,
  listedDates,
} from './registered-method.js';

/**
 * Takes the methods of a site folder into the registry at a start: versions it does not know, dates and approvals
 * that are others than before, and which versions the folder lists no more. In the transaction that activates the
 * folder, behind the receipts it marks: another folder makes every statement due.
 *
 * @throws Misconfigured `method-version-changed` when a version came with another content than it is registered with.
 */
export async function importMethods(
  trx: Trx,
  { site, referenceBytes }: Pick<LoadedSiteFolder, 'site' | 'referenceBytes'>,
  now: Instant,
): Promise<void> {
  const known = new Map(
    site.methods.flatMap(({ reference: r }) => (r === null ? [] : [[r.sha256, r] as const])),
  );
  // Nobody evaluates while the registry changes, and of two that start at once the second finds what the first did.
  await lockSiteEvidence(trx, site.site);
  const before = await registryEntries(trx, site.site, known);
  const entries = new Map(before.map((entry) => [keyOf(entry.version.content), entry]));
  refuseChanged(site.methods, entries);
  const importing = new Importing(trx, site, now);
  for (const method of site.methods) {
    const entry = entries.get(keyOf(method));
    const bytes = referenceBytes.get(method.reference?.sha256 ?? '') ?? null;
    if (entry === undefined) await importing.register(method, bytes);
    else await importing.list(method, entry);
  }
  const listed = new Set(site.methods.map(keyOf));
  for (const entry of before) {
    if (!listed.has(keyOf(entry.version.content))) await importing.leave(entry);
  }
}

class Importing {
  #isBegun = false;

  constructor(
    private readonly trx: Trx,
    private readonly site: SiteFolder,
    private readonly now: Instant,
  ) {}

  async register(method: Method, bytes: Uint8Array | null): Promise<void> {
    const { trx, site, now } = this;
    await this.#begin();
    const version = {
      content: contentOf(method),
      contentDigest: method.contentDigest,
      source: 'site-folder',
      siteFolder: site.digest,
      proposal: null,
      proposedBy: 'start',
      proposedAt: now,
    } as const;
    await insertVersion(trx, site.site, version, bytes);
    const dates = listedDates(method, site.decisions);
    await insertEvent(trx, site.site, method, { kind: 'listed', at: now, dates });
    const after = {
      contentDigest: method.contentDigest,
      referenceSha256: version.content.referenceSha256,
      ...shown(dates),
    };
    await this.#enter(method, 'method.registered', undefined, after);
  }

  async list(method: Method, { events }: RegistryEntry): Promise<void> {
    const { trx, site, now } = this;
    const last = lastOfFolder(events);
    const dates = listedDates(method, site.decisions);
    if (last?.kind === 'listed' && canonicalJson(last.dates) === canonicalJson(dates)) return;
    await this.#begin();
    await insertEvent(trx, site.site, method, { kind: 'listed', at: now, dates });
    const was = last?.kind === 'listed' ? shown(last.dates) : { listed: false };
    await this.#enter(method, 'method.listed', was, shown(dates));
  }

  async leave({ version, events }: RegistryEntry): Promise<void> {
    const { trx, site, now } = this;
    if (lastOfFolder(events)?.kind !== 'listed') return;
    await this.#begin();
    await insertEvent(trx, site.site, version.content, { kind: 'left', at: now });
    await this.#enter(version.content, 'method.left', { listed: true }, { listed: false });
  }

  /** Before the first change. */
  async #begin(): Promise<void> {
    if (this.#isBegun) return;
    this.#isBegun = true;
    await changeRegistry(this.trx, this.site.site);
  }

  async #enter(
    of: { readonly id: string; readonly version: string },
    action: string,
    before: object | undefined,
    after: object,
  ): Promise<void> {
    const { kind, id } = methodSubject(of);
    await recordAudit(this.trx, {
      site: this.site.site,
      zone: this.site.timeZone,
      at: this.now,
      actor: { kind: 'system', name: 'start' },
      action,
      subjectKind: kind,
      subjectId: id,
      ...(before === undefined ? {} : { before }),
      after: { ...after, siteFolder: this.site.digest },
    });
  }
}

function lastOfFolder(events: RegistryEntry['events']) {
  return events.filter((e) => e.kind === 'listed' || e.kind === 'left').at(-1) ?? null;
}

/** Dates as the trail shows them. */
function shown(dates: ListedDates): object {
  const text = (at: Instant | null | undefined) => (at ? formatInstant(at) : null);
  return {
    listed: true,
    effectiveFrom: text(dates.effectiveFrom),
    retiredAt: text(dates.retiredAt),
    invalidatedAt: text(dates.invalidatedAt),
    invalidation: dates.invalidation,
    inForceBeside: dates.beside,
    ...(dates.notRecomputable === undefined ? {} : { notRecomputable: dates.notRecomputable }),
    approvals: dates.approvals.map((a) => ({
      ...a,
      effectiveFrom: text(a.effectiveFrom),
      endsAt: text(a.endsAt),
    })),
  };
}

/** Results were judged by what is registered: the same id and version never comes to mean something else. */
function refuseChanged(
  methods: readonly Method[],
  entries: ReadonlyMap<string, RegistryEntry>,
): void {
  const found = methods.flatMap((method, index) => {
    const registered = entries.get(keyOf(method))?.version;
    if (registered === undefined) return [];
    const content = contentOf(method);
    if (isSameContent(content, registered.content)) return [];
    const members = changedMembers(registered.content, content).join(', ');
    const since = formatInstant(registered.proposedAt);
    return [
      `/methods/${index}: ${method.id} version ${method.version} differs in ${members} from what is registered since ${since}`,
    ];
  });
  if (found.length > 0)
    throw new Misconfigured('method-version-changed', { found: found.join('\n') });
}

function keyOf({ id, version }: { readonly id: string; readonly version: string }): string {
  return JSON.stringify([id, version]);
}
