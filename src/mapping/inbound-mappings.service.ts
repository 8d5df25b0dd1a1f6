import { type Actor, recordAudit } from '../audit/audit.store.js';
import { Misconfigured } from '../errors.js';
import { canonicalJson } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import { type InboundSource, readInbound } from '../site/inbound-source.js';
import { inboundSchema } from '../site/schemas.files.js';
import { describeFault, inReadingOrder, type SiteFault } from '../site/site-fault.js';
import type { SiteFolder } from '../site/site-folder.js';
import { placed } from '../site/yaml-source.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import type { ExpressionPool } from './expression.pool.js';
import { type InboundMapped, mapInbound } from './inbound-map.service.js';
import {
  activateInbound,
  activeInbound,
  inboundContent,
  retireInbound,
} from './inbound-revision.store.js';
import { inboundRuleFaults } from './inbound-rules.js';

/** Everything that can be found about an inbound mapping before it is used. */
export function inboundFaults(inbound: InboundSource): SiteFault[] {
  return inReadingOrder(
    inboundRuleFaults(inbound.document).map((fault) => placed(inbound.yaml, fault)),
  );
}

export interface InboundActivation {
  readonly site: SiteFolder;
  readonly sources: ReadonlyMap<string, InboundSource>;
  readonly proposedBy: Actor;
  readonly approvedBy: string;
  readonly now: Instant;
}

/** A document as read by the revision in force of its source. */
export interface ReadByRevision {
  readonly digest: string;
  readonly mapped: InboundMapped;
}

/**
 * The inbound mappings a site runs from: stored by digest when they are activated and read from the store, so that each
 * request names the revision it was read by, whatever the folder says later.
 */
export class InboundMappings {
  readonly #read = new Map<string, InboundSource>();

  constructor(
    private readonly database: OpenDatabase,
    private readonly pool: ExpressionPool,
    private readonly site: Pick<SiteFolder, 'site' | 'timeZone'>,
  ) {}

  /** @throws Misconfigured `site-folder-invalid` with every fault. */
  requireSound(sources: InboundActivation['sources']): void {
    const faults = [...sources.values()].flatMap(inboundFaults);
    if (faults.length === 0) return;
    throw new Misconfigured('site-folder-invalid', {
      found: `${faults.length} in the inbound mappings\n${faults.map(describeFault).join('\n')}\n`,
    });
  }

  /**
   * Puts sound inbound mappings in force, with an entry of the trail for each that is new, comes back or goes. Behind the
   * lock of who activates the site folder, as `MappingService.putInForce`.
   */
  async putInForce(trx: Trx, activation: InboundActivation): Promise<void> {
    const { site } = this.site;
    const { proposedBy, approvedBy, now } = activation;
    const before = await activeInbound(trx, site);
    const changed = new Map<string, string | null>();
    for (const { source, digest, content } of activation.sources.values()) {
      if (before.get(source) === digest) continue;
      await activateInbound(trx, {
        site,
        source,
        digest,
        content: canonicalJson(content),
        activated_at: now,
        activated_by: proposedBy.name,
        approved_by: approvedBy,
        active: 0,
      });
      changed.set(source, digest);
    }
    for (const source of before.keys()) {
      if (activation.sources.has(source)) continue;
      await retireInbound(trx, site, source);
      changed.set(source, null);
    }
    for (const [source, digest] of changed) {
      const previous = before.get(source) ?? null;
      await recordAudit(trx, {
        site,
        zone: this.site.timeZone,
        at: now,
        actor: proposedBy,
        action: digest === null ? 'inbound-mapping.retired' : 'inbound-mapping.activated',
        subjectKind: 'inbound-mapping',
        subjectId: `${source}:${digest ?? previous ?? ''}`,
        reason:
          digest === null ? 'the source has no mapping any more' : `approved by ${approvedBy}`,
        before: { digest: previous },
        after: { digest, siteFolder: activation.site.digest },
      });
    }
  }

  /** What a document asks for; null when the source has no mapping in force. */
  async read(source: string, bytes: Uint8Array): Promise<ReadByRevision | null> {
    const digest = (await activeInbound(this.database.db, this.site.site)).get(source);
    if (digest === undefined) return null;
    const { document } = await this.#forDigest(digest);
    const { timeZone } = this.site;
    return { digest, mapped: await mapInbound({ document, timeZone, pool: this.pool }, bytes) };
  }

  /** Throws on stored content that cannot be read any more: a defect, only what passed the check is stored. */
  async #forDigest(digest: string): Promise<InboundSource> {
    const held = this.#read.get(digest);
    if (held) return held;
    const row = await inboundContent(this.database.db, this.site.site, digest);
    if (!row) throw new Error(`no inbound mapping revision ${digest} was ever activated`);
    const files = JSON.parse(row.content) as Record<string, string>;
    const read = readInbound(files, row.source, inboundSchema());
    if (!read.ok) {
      throw new Error(
        `inbound mapping revision ${digest} cannot be read: ${JSON.stringify(read.faults)}`,
      );
    }
    if (read.inbound.digest !== digest)
      throw new Error(`inbound mapping revision ${digest} was altered`);
    this.#read.set(digest, read.inbound);
    return read.inbound;
  }
}
