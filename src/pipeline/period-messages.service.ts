import { periodKey } from '../delivery/new-delivery.js';
import { enqueueDelivery } from '../delivery/outbox.store.js';
import type { Instant } from '../formats/instant.js';
import type { ActiveMapping } from '../statements/statement-messages.js';
import type { Trx } from '../storage/database.js';

/** Messages about closed periods: for every destination whose mapping has one, and for no other. */
export class PeriodMessages {
  constructor(
    private readonly site: string,
    private readonly mappings: ReadonlyMap<string, ActiveMapping>,
    private readonly epoch: number,
  ) {}

  /**
   * Puts a close or an addendum into the outbox, in the transaction of its signature. It names no receipt, so no
   * statement waits for it, and nothing of a receipt waits behind it.
   */
  async enqueue(
    trx: Trx,
    of: { readonly periodId: string; readonly revision: number; readonly now: Instant },
  ): Promise<void> {
    for (const [destination, mapping] of this.mappings) {
      if (!mapping.messages.includes('period')) continue;
      await enqueueDelivery(trx, {
        site: this.site,
        subjectKind: 'period',
        subjectId: of.periodId,
        subjectRevision: of.revision,
        receiptId: null,
        destination,
        message: 'period',
        orderingKey: periodKey(of.periodId),
        isConforms: false,
        isContrary: false,
        mappingDigest: mapping.digest,
        epoch: this.epoch,
        now: of.now,
      });
    }
  }
}
