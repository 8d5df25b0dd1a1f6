import { type Actor, recordAudit } from '../audit/audit.store.js';
import { Misconfigured } from '../errors.js';
import { canonicalJson } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import type { MessageName } from '../site/mapping-document.js';
import { type MappingSource, readMapping } from '../site/mapping-source.js';
import { mappingSchema } from '../site/schemas.files.js';
import { describeFault, type SiteFault } from '../site/site-fault.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Db, OpenDatabase, Trx } from '../storage/database.js';
import { buildPayload } from './build-payload.service.js';
import { checkMapping } from './check-mapping.service.js';
import { type CompiledMapping, compileMapping } from './compiled-mapping.js';
import type { ExpressionPool } from './expression.pool.js';
import {
  activeRevisions,
  insertRevision,
  retireOthers,
  revisionContent,
  setActive,
} from './mapping.store.js';
import type { BuildOutcome } from './payload.js';
import type { Subject } from './subjects.js';

/** Compiled revisions kept in memory; old deliveries pin old ones, a few at a time. */
const CACHED_MAX = 64;

export interface Activation {
  readonly site: SiteFolder;
  readonly mappings: ReadonlyMap<string, MappingSource>;
  readonly proposedBy: Actor;
  readonly approvedBy: string;
  readonly now: Instant;
}

/**
 * The mappings a site runs from: stored by digest when they are activated, compiled from what is stored, so
 * that a delivery keeps the revision it was made under whatever the folder says later.
 */
export class MappingService {
  readonly #database: OpenDatabase;
  readonly #pool: ExpressionPool;
  readonly #site: string;
  readonly #compiled = new Map<string, CompiledMapping>();

  constructor(database: OpenDatabase, pool: ExpressionPool, site: string) {
    this.#database = database;
    this.#pool = pool;
    this.#site = site;
  }

  /** Every fault of every mapping, in reading order; none means they may be activated. */
  async check(mappings: Activation['mappings']): Promise<SiteFault[]> {
    const faults: SiteFault[] = [];
    for (const mapping of mappings.values())
      faults.push(...(await checkMapping(mapping, this.#pool)));
    return faults;
  }

  /**
   * The check runs at each start, also for known digests: a later version of the service may know better.
   *
   * @throws Misconfigured `site-folder-invalid` with every fault.
   */
  async requireSound(mappings: Activation['mappings']): Promise<void> {
    const faults = await this.check(mappings);
    if (faults.length === 0) return;
    throw new Misconfigured('site-folder-invalid', {
      found: `${faults.length} in the mappings\n${faults.map(describeFault).join('\n')}\n`,
    });
  }

  /**
   * Puts sound mappings in force, with an audit entry for each that is new or comes back. Behind the lock of who
   * activates the site folder: of two that did so side by side each would leave its own in force.
   */
  async putInForce(trx: Trx, activation: Activation): Promise<void> {
    const before = new Map(
      (await activeRevisions(trx, this.#site)).map((r) => [r.destination, r.digest]),
    );
    for (const mapping of activation.mappings.values()) {
      const previous = before.get(mapping.destination);
      if (previous === mapping.digest) continue;
      await insertRevision(trx, this.#row(activation, mapping));
      await setActive(trx, {
        site: this.#site,
        destination: mapping.destination,
        digest: mapping.digest,
      });
      await recordAudit(trx, {
        site: this.#site,
        zone: activation.site.timeZone,
        at: activation.now,
        actor: activation.proposedBy,
        action: 'mapping.activated',
        subjectKind: 'mapping',
        subjectId: `${mapping.destination}:${mapping.digest}`,
        reason: `approved by ${activation.approvedBy}`,
        before: { digest: previous ?? null },
        after: { digest: mapping.digest, siteFolder: activation.site.digest },
      });
    }
    await retireOthers(trx, this.#site, [...activation.mappings.keys()]);
    for (const [destination, digest] of before) {
      if (activation.mappings.has(destination)) continue;
      await recordAudit(trx, {
        site: this.#site,
        zone: activation.site.timeZone,
        at: activation.now,
        actor: activation.proposedBy,
        action: 'mapping.retired',
        subjectKind: 'mapping',
        subjectId: `${destination}:${digest}`,
        reason: 'the destination is no longer configured',
        before: { digest },
        after: { digest: null, siteFolder: activation.site.digest },
      });
    }
  }

  /** Compiling takes the better part of a second, which the first message, a stop perhaps, must not wait for. */
  async prepare(mappings: Activation['mappings']): Promise<void> {
    for (const { digest } of mappings.values()) await this.forDigest(digest);
  }

  /** Digest that new deliveries to each destination pin. */
  async activeDigests(reader: Db = this.#database.db): Promise<ReadonlyMap<string, string>> {
    const rows = await activeRevisions(reader, this.#site);
    return new Map(rows.map((row) => [row.destination, row.digest]));
  }

  /**
   * The mapping of a stored revision. Throws on a digest that was never activated and on stored content
   * that cannot be read any more: both are defects, a delivery pins only what was activated.
   */
  async forDigest(digest: string): Promise<CompiledMapping> {
    const held = this.#compiled.get(digest);
    if (held) return held;
    const row = await revisionContent(this.#database.db, this.#site, digest);
    if (!row) throw new Error(`no mapping revision ${digest} was ever activated`);
    const files = JSON.parse(row.content) as Record<string, string>;
    const read = readMapping(files, row.destination, mappingSchema());
    const compiled = read.ok ? compileMapping(read.mapping) : read;
    if (!compiled.ok) {
      throw new Error(
        `mapping revision ${digest} cannot be read: ${JSON.stringify(compiled.faults)}`,
      );
    }
    if (compiled.mapping.digest !== digest)
      throw new Error(`mapping revision ${digest} was altered`);
    if (this.#compiled.size >= CACHED_MAX) this.#compiled.clear();
    this.#compiled.set(digest, compiled.mapping);
    return compiled.mapping;
  }

  /** Builds one message by a stored revision; every problem as a value, naming message, field and expression. */
  async build(digest: string, message: MessageName, subject: Subject): Promise<BuildOutcome> {
    if (subject.message !== message) {
      throw new Error(`a ${message} delivery was given the subject of a ${subject.message}`);
    }
    return await buildPayload(await this.forDigest(digest), subject, this.#pool);
  }

  #row(activation: Activation, mapping: MappingSource) {
    return {
      site: this.#site,
      destination: mapping.destination,
      digest: mapping.digest,
      content: canonicalJson(mapping.content),
      activated_at: activation.now,
      activated_by: activation.proposedBy.name,
      approved_by: activation.approvedBy,
      active: 0 as const,
    };
  }
}
