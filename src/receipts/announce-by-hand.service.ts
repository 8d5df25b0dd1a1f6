import type { Actor } from '../audit/audit.store.js';
import { canonicalDigest } from '../formats/canonical-json.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import type { ReceiptLine } from './expectation-line.js';
import {
  draftOf,
  HAND_FIELDS,
  type HandDraft,
  type HandFault,
  handFault,
  type ReadOtherwise,
  readHandDraft,
} from './hand-draft.js';
import { containerKey } from './label.js';
import { receiptsListing } from './lineage.store.js';
import { labelHint, lookAlikes } from './near-miss.js';
import type { ReceiptRequestsService, RequestAnswer } from './receipt-requests.service.js';
import { revisionInForce } from './receipt-revision.service.js';
import type { ReceiptsService } from './receipts.service.js';
import { findReceipts, unplacedResults } from './receipts.store.js';
import type { SecondLook } from './second-look.js';

/** A person who announces; `printedName` is what the receipt shows. */
export interface HandAnnouncer {
  readonly actor: Actor;
  readonly printedName: string;
}

/** What is asked to be saved. */
export interface HandRequest {
  readonly draft: HandDraft;
  readonly reason: string;
  /** ETag of the receipt that the form showed; null to announce a new one. */
  readonly tag: string | null;
}

export type LookAnswer =
  | { readonly kind: 'look'; readonly look: SecondLook }
  | { readonly kind: 'faults'; readonly faults: readonly HandFault[] };

export type SaveAnswer =
  | { readonly kind: 'saved'; readonly receiptId: string }
  | { readonly kind: 'faults'; readonly faults: readonly HandFault[] }
  /** It would not be what was looked at. */
  | { readonly kind: 'other' }
  | { readonly kind: 'refused'; readonly detail: string };

/** A receipt as its form begins; the tag names what was shown. */
export interface HandForm {
  readonly draft: HandDraft;
  readonly tag: string;
  readonly isOpen: boolean;
}

const NAMED_MAX = 20;

/** Carries what a try showed out of the transaction that it takes back. */
class LookedAt extends Error {
  constructor(readonly answer: LookAnswer) {
    super('only looked at');
  }
}

/** Receipt lines that a person announces, changes or cancels: looked at first, saved exactly as they were shown. */
export class AnnounceByHand {
  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly site: { readonly site: string; readonly timeZone: string },
    private readonly receipts: ReceiptsService,
    private readonly requests: ReceiptRequestsService,
  ) {}

  /** null when nobody announced it. */
  async form(receiptId: string): Promise<HandForm | null> {
    const shown = await this.requests.show(receiptId);
    if (shown === null) return null;
    const before = await revisionInForce(this.database.db, this.site.site, receiptId);
    if (before === null) return null;
    return {
      draft: draftOf(before.inForce, this.site.timeZone),
      tag: shown.tag,
      isOpen: shown.body['status'] === 'open',
    };
  }

  /** Announces it as saving would, sees what comes of it, and takes all of it back. */
  async look(request: HandRequest, who: HandAnnouncer): Promise<LookAnswer> {
    const read = readHandDraft(request.draft, this.site.timeZone);
    if (!read.ok) return { kind: 'faults', faults: read.faults };
    const line = await this.#whole(read.line);
    try {
      await this.database.transact(async (trx) => {
        throw new LookedAt(await this.#tried(trx, line, read.otherwise, request, who));
      });
    } catch (error) {
      if (error instanceof LookedAt) return error.answer;
      throw error;
    }
    throw new Error('a look was kept');
  }

  async save(request: HandRequest, seen: string, who: HandAnnouncer): Promise<SaveAnswer> {
    const read = readHandDraft(request.draft, this.site.timeZone);
    if (!read.ok) return { kind: 'faults', faults: read.faults };
    const line = await this.#whole(read.line);
    if (seen !== seenDigest(line, request)) return { kind: 'other' };
    const answer = await this.requests.announce(line, {
      actor: who.actor,
      key: null,
      ifMatch: request.tag === null ? null : [request.tag],
      onlyIfNew: request.tag === null,
      how: byHand(who, request.reason),
      byHand: who.printedName,
    });
    return savedAnswer(answer, line.receiptId);
  }

  async cancel(
    receiptId: string,
    request: Pick<HandRequest, 'reason' | 'tag'>,
    who: HandAnnouncer,
  ): Promise<SaveAnswer> {
    const body = { change: 'cancel', reason: byHand(who, request.reason) } as const;
    const answer = await this.requests.change(receiptId, body, {
      actor: who.actor,
      key: null,
      ifMatch: [request.tag ?? ''],
      onlyIfNew: false,
    });
    return savedAnswer(answer, receiptId);
  }

  /** Where its containers came from stays once it was named, also where the fields are emptied: the link to it does. */
  async #whole(line: ReceiptLine): Promise<ReceiptLine> {
    if (line.comesFrom !== undefined) return line;
    const { db } = this.database;
    const comesFrom = (await revisionInForce(db, this.site.site, line.receiptId))?.inForce
      .comesFrom;
    return comesFrom === undefined ? line : { ...line, comesFrom };
  }

  async #tried(
    trx: Trx,
    line: ReceiptLine,
    otherwise: readonly ReadOtherwise[],
    request: HandRequest,
    { actor, printedName }: HandAnnouncer,
  ): Promise<LookAnswer> {
    const { site } = this.site;
    const { receiptId } = line;
    const row = (await findReceipts(trx, site, [receiptId])).get(receiptId);
    const before = row?.announced === 1 ? await revisionInForce(trx, site, receiptId) : null;
    if (before !== null && request.tag === null) return isThere(receiptId);
    const now = this.clock.now();
    const announced = await this.receipts.announce(trx, [line], actor, now, 'look', printedName);
    if (!announced.ok) {
      return { kind: 'faults', faults: announced.faults.map(handFault) };
    }
    const after = await revisionInForce(trx, site, receiptId);
    const [done] = announced.lines;
    if (after === null || done === undefined) throw new Error(`${receiptId} is not there`);
    const keys = new Map(line.containers.map((label) => [containerKey(label), label]));
    const others = await receiptsListing(trx, site, [...keys.keys()], new Set([receiptId]));
    const unplaced = await unplacedResults(trx, site, receiptId);
    const scanned = new Set(unplaced.map((result) => result.container_scanned ?? ''));
    return {
      kind: 'look',
      look: {
        sha256: seenDigest(line, request),
        outcome: done.outcome,
        line: after.inForce,
        kept: draftOf(after.inForce, this.site.timeZone),
        changed: before === null ? [] : this.#changedTexts(before.inForce, after.inForce),
        ...containerChanges(before?.inForce.containers ?? [], after.inForce.containers),
        otherwise,
        alike: lookAlikes(line.containers),
        elsewhere: others
          .slice(0, NAMED_MAX)
          .map(({ receiptId: other, key }) => ({ label: keys.get(key) ?? key, receiptId: other })),
        scannedOnly: [...scanned]
          .slice(0, NAMED_MAX)
          .map((text) => ({ scanned: text, hint: labelHint(text, line.containers) })),
        linkedResults: done.linkedResults,
        keptBack: done.keptBack,
        plan: after.plan && { kind: after.plan.kind, decision: after.plan.decision },
        required: after.required.size,
      },
    };
  }

  #changedTexts(before: ReceiptLine, after: ReceiptLine): SecondLook['changed'] {
    const { timeZone } = this.site;
    const [old, now] = [draftOf(before, timeZone), draftOf(after, timeZone)];
    return HAND_FIELDS.filter((name) => name !== 'containers' && old[name] !== now[name]).map(
      (name) => ({ name, from: old[name], to: now[name] }),
    );
  }
}

function byHand({ printedName }: HandAnnouncer, reason: string): string {
  return `by hand by ${printedName}: ${reason}`;
}

function isThere(receiptId: string): LookAnswer {
  const message = `receipt "${receiptId}" is announced already`;
  const remedy = 'Open its page to change it, or give this one an id of its own.';
  return { kind: 'faults', faults: [{ field: 'receiptId', message, remedy }] };
}

function seenDigest(line: ReceiptLine, { reason, tag }: HandRequest): string {
  return canonicalDigest(['announce-by-hand', line, reason, tag]);
}

function savedAnswer(answer: RequestAnswer, receiptId: string): SaveAnswer {
  switch (answer.kind) {
    case 'done':
      return { kind: 'saved', receiptId };
    case 'faults':
      return { kind: 'faults', faults: answer.faults.map(handFault) };
    case 'refused':
      return { kind: 'refused', detail: answer.detail };
    case 'tag-missing':
    case 'key-reused':
      return { kind: 'refused', detail: `receipt ${receiptId} is there already` };
  }
}

function containerChanges(before: readonly string[], after: readonly string[]) {
  const [old, now] = [new Set(before.map(containerKey)), new Set(after.map(containerKey))];
  return {
    added: before.length === 0 ? [] : after.filter((label) => !old.has(containerKey(label))),
    removed: before.filter((label) => !now.has(containerKey(label))),
  };
}
