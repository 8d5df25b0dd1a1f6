import { type Actor, recordAudit } from '../audit/audit.store.js';
import type { Looking } from '../delivery/looking.service.js';
import type { Instant } from '../formats/instant.js';
import { tellWaitingReceipts } from '../receipts/facts.store.js';
import type { MappingDocument, Watched } from '../site/mapping-document.js';
import type { Destination, SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import type { DestinationWatchRow } from '../storage/tables.js';
import {
  approval,
  declaredDigest,
  judgeLook,
  type LookStep,
  nextLookAt,
  readWatched,
  type Seen,
  seenOf,
} from './destination-watch.js';
import {
  changeWatch,
  emptyWatch,
  insertWatch,
  lockWatch,
  NOTHING_DECLARED,
  watches,
} from './destination-watch.store.js';
import { closeByEvidence, openDiscrepancy } from './discrepancies.store.js';

export interface WatchParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly looking: Looking;
  readonly documents: ReadonlyMap<string, MappingDocument>;
  readonly onChanged: () => void;
}

export type Approved = 'approved' | 'unknown' | 'unread' | 'other-seen';

/** Looks at what destinations say of themselves, daily and after every start and reconnection (rule 27). */
export class DestinationWatch {
  constructor(private readonly parts: WatchParts) {}

  /** Makes the rows, before anything works: what is declared and was not looked at holds every new *conforms*. */
  async begin(): Promise<void> {
    const { database, clock, site, documents } = this.parts;
    await database.transact(async (trx) => {
      const now = clock.now();
      for (const { name } of site.destinations) {
        const describe = documents.get(name)?.describe ?? null;
        const declared = describe === null ? NOTHING_DECLARED : declaredDigest(describe);
        const of = { site: site.site, destination: name };
        const row = await lockWatch(trx, of.site, name);
        if (row === undefined && describe === null) continue;
        if (row === undefined) await insertWatch(trx, emptyWatch(of, declared, now));
        else if (row.declared !== declared) {
          const {
            site: _s,
            destination: _d,
            difference: _f,
            difference_since: _g,
            ...anew
          } = emptyWatch(of, declared, now);
          await changeWatch(trx, of, anew);
        } else if (describe !== null) await changeWatch(trx, of, { must_look: 1, look_at: now });
      }
    });
  }

  /** Looks at a destination when it is time; returns when it is again. */
  async lookWhenDue(destination: Destination): Promise<Instant | null> {
    const { database, clock, site, documents } = this.parts;
    const describe = documents.get(destination.name)?.describe ?? null;
    if (describe === null) return null;
    const row = await this.#row(destination.name);
    if (row === undefined) return null;
    const nextAt = nextLookAt(row, clock.now());
    if (nextAt !== null) return nextAt;
    const seen = await this.#look(destination);
    const step = await database.transact(async (trx) => {
      const now = clock.now();
      const current = await lockWatch(trx, site.site, destination.name);
      if (current === undefined) return null;
      const judged = judgeLook(current, seen, now);
      // Another looked or began anew meanwhile: what was seen before that ends no hold, but a change holds at once.
      const isOutrun = current.look_at !== row.look_at || current.seen_at !== row.seen_at;
      if (isOutrun && judged.becomes !== 'changed') return { outrunBy: current.look_at };
      await changeWatch(trx, current, judged.change);
      await this.#note(trx, current, judged, now);
      return judged;
    });
    if (step === null) return null;
    if ('outrunBy' in step) return step.outrunBy;
    if (step.becomes !== 'unknown') this.parts.onChanged();
    return step.change.look_at ?? null;
  }

  list(): Promise<readonly DestinationWatchRow[]> {
    return watches(this.parts.database.db, this.parts.site.site);
  }

  /**
   * A person approves what was seen last.
   *
   * @param digest of what the person looked at; another one seen meanwhile is not approved
   */
  async approve(
    name: string,
    act: { readonly digest: string | null; readonly reason: string; readonly actor: Actor },
  ): Promise<Approved> {
    const { database, clock, site } = this.parts;
    const approved = await database.transact(async (trx): Promise<Approved> => {
      const now = clock.now();
      const row = await lockWatch(trx, site.site, name);
      if (row === undefined || row.declared === NOTHING_DECLARED) return 'unknown';
      if (row.seen_digest === null || row.seen_document === null) return 'unread';
      if (act.digest !== null && act.digest !== row.seen_digest) return 'other-seen';
      await changeWatch(trx, row, approval(row.seen_digest, row.seen_document, now));
      await this.#close(trx, name, `approved: ${act.reason}`, now);
      await recordAudit(trx, {
        ...this.#entry(name, now),
        actor: act.actor,
        action: 'destination.approved',
        reason: act.reason,
        before: { digest: row.approved_digest, document: row.approved_document },
        after: { digest: row.seen_digest, document: row.seen_document },
      });
      await tellWaitingReceipts(trx, site.site);
      return 'approved';
    });
    if (approved === 'approved') this.parts.onChanged();
    return approved;
  }

  async #row(name: string): Promise<DestinationWatchRow | undefined> {
    return (await this.list()).find((row) => row.destination === name);
  }

  async #look(destination: Destination): Promise<Seen> {
    const document = this.parts.documents.get(destination.name);
    const describe = document?.describe ?? null;
    if (document === undefined || describe === null)
      return { ok: false, detail: 'nothing declared' };
    const description = await this.#read(destination, describe, document);
    if (!description.ok) return description;
    if (describe.canary === null) return seenOf(description.parts, null);
    const canary = await this.#read(destination, describe.canary, document);
    return canary.ok ? seenOf(description.parts, canary.parts) : canary;
  }

  async #read(destination: Destination, watched: Watched, document: MappingDocument) {
    const result = await this.parts.looking.description(destination, watched.request.path);
    return readWatched(result, watched, document.format);
  }

  async #note(trx: Trx, row: DestinationWatchRow, step: LookStep, now: Instant): Promise<void> {
    const { site } = this.parts;
    const { destination: name } = row;
    const actor: Actor = { kind: 'system', name: 'destination-watch' };
    const entry = { ...this.#entry(name, now), actor };
    if (step.becomes === 'approved') {
      await recordAudit(trx, {
        ...entry,
        action: 'destination.first-seen',
        reason: 'approved with its mapping',
        after: { digest: step.change.seen_digest, document: step.change.seen_document },
      });
    }
    if (step.becomes === 'changed' && row.seen_digest !== step.change.seen_digest) {
      await recordAudit(trx, {
        ...entry,
        action: 'destination.changed',
        before: { digest: row.approved_digest, document: row.approved_document },
        after: { digest: step.change.seen_digest, document: step.change.seen_document },
      });
      await openDiscrepancy(
        trx,
        {
          site: site.site,
          class: 'destination-changed',
          subject: `destination:${name}`,
          receiptId: null,
          containerLabel: null,
          destination: name,
          scope: { destination: name },
          detail: `${name} describes itself otherwise than it was approved; no new conforms goes there until somebody approves it`,
          openedAt: now,
        },
        site.timeZone,
      );
    }
    if (step.becomes === 'as-approved' && row.hold !== null) {
      await this.#close(trx, name, 'it shows again what was approved', now);
    }
    if (step.becomes !== 'changed' && row.hold !== null && step.becomes !== 'unknown') {
      await tellWaitingReceipts(trx, site.site);
    }
  }

  async #close(trx: Trx, name: string, evidence: string, closedAt: Instant): Promise<void> {
    await closeByEvidence(trx, {
      site: this.parts.site.site,
      class: 'destination-changed',
      subject: `destination:${name}`,
      evidence,
      closedAt,
      zone: this.parts.site.timeZone,
    });
  }

  #entry(name: string, at: Instant) {
    const { site, timeZone: zone } = this.parts.site;
    return { site, zone, at, subjectKind: 'destination', subjectId: name } as const;
  }
}
