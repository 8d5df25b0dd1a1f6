import type { Recognition } from '../delivery/delivery-parts.service.js';
import type { Looking } from '../delivery/looking.service.js';
import { auditDelivery, changeDelivery, type DeliveryChange } from '../delivery/outcome.store.js';
import type { ReadBackAnswer } from '../delivery/read-back-answer.js';
import type { Instant } from '../formats/instant.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import type { DeliveryRow, DestinationHoldingRow, SubjectKind } from '../storage/tables.js';
import { type DeliverySubject, deliverySubject } from './delivery-subject.store.js';
import { closeByEvidence } from './discrepancies.store.js';
import { holdingsOf, settleHolding } from './holdings.store.js';
import { holdingPrefix } from './sweep-findings.service.js';

export interface AdoptionParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly looking: Looking;
  /** Whether what a destination lists tells which messages of a kind are there, see `isRecognisable`. */
  readonly canRecognise: (destination: string, kind: SubjectKind) => boolean;
  /** Since when this life of the database runs; what was measured before may have been sent by the one before. */
  readonly recoveringSince: Instant;
}

/**
 * After a restore the same result may come in again and get a delivery of its own, with a new key. Before it is
 * sent the destination's list says whether it is there already, by subject and revision (design §8).
 */
export class Adoption {
  constructor(private readonly parts: AdoptionParts) {}

  /** What is to be written about a built delivery that was never sent; null when it may be sent. */
  async recognise(row: DeliveryRow): Promise<Recognition | null> {
    const { database, recoveringSince, canRecognise } = this.parts;
    const subject = await deliverySubject(database.db, row);
    if (subject === null) return null;
    if (!canRecognise(row.destination, row.subject_kind)) {
      if (subject.measuredFrom !== null && subject.measuredFrom >= recoveringSince) return null;
      const reason =
        'it may have been sent before the restore, and the destination has no list that shows what, which result and which revision it holds';
      return this.#writing({ state: 'parked', fault: 'cannot-ask', reason }, []);
    }
    const held = await this.#holdings(row, subject);
    if (held.length === 0) return null;
    const answers: (ReadBackAnswer | null)[] = [];
    for (const holding of held) {
      const item = JSON.parse(holding.item) as unknown;
      answers.push(await this.parts.looking.compareContent(row, item));
    }
    const references = held.map((h) => h.reference ?? h.identity).join(', ');
    if (held.some((h) => h.message === null || h.revision === null)) {
      const reason = `held there under ${references} may be the same from before the restore: what it is, or its revision, is not shown`;
      return this.#writing({ state: 'parked', fault: 'differs', reason }, []);
    }
    if (answers.some((answer) => answer?.kind !== 'one')) {
      const found = answers.find((answer) => answer?.kind !== 'one');
      const detail =
        found && 'detail' in found ? found.detail : (found?.kind ?? 'nothing to compare');
      const reason = `held there under ${references} from before the restore, and not the same: ${detail}`;
      return this.#writing({ state: 'parked', fault: 'differs', reason }, []);
    }
    const reason = `held there under ${references} from before the restore`;
    const fault = held.length > 1 ? ('duplicate' as const) : null;
    return this.#writing({ state: 'confirmed', fault, reason }, held);
  }

  #holdings(row: DeliveryRow, subject: DeliverySubject): Promise<DestinationHoldingRow[]> {
    return holdingsOf(this.parts.database.db, {
      site: row.site,
      destination: row.destination,
      message: row.subject_kind,
      subject: this.parts.looking.keptText(subject.resultId),
      revision: row.subject_revision,
    });
  }

  #writing(
    to: { readonly state: 'confirmed' | 'parked' } & Pick<DeliveryChange, 'fault' | 'reason'>,
    held: readonly DestinationHoldingRow[],
  ): Recognition {
    const { clock, site } = this.parts;
    return async (trx, row) => {
      const now = clock.now();
      const change: DeliveryChange = {
        state: to.state,
        fault: to.fault ?? null,
        reason: to.reason ?? null,
        claimed_by: null,
        next_ask_at: null,
        ...(to.state === 'confirmed'
          ? { confirmed_at: now, destination_reference: held[0]?.identity ?? null }
          : {}),
      };
      if (!(await changeDelivery(trx, row, change))) return;
      for (const holding of held) {
        await settleHolding(trx, holding, now);
        await closeByEvidence(trx, {
          site: row.site,
          class: 'unknown-at-source',
          subject: `${holdingPrefix(row.destination)}${holding.identity}`,
          evidence: `delivery ${row.id}`,
          closedAt: now,
          zone: site.timeZone,
        });
      }
      await auditDelivery(trx, row, {
        zone: site.timeZone,
        at: now,
        action: to.state === 'confirmed' ? 'delivery.recognised' : 'delivery.parked',
        reason: to.reason ?? null,
        after: change,
      });
    };
  }
}
