import type { Actor } from '../audit/audit.store.js';
import { canonicalDigest } from '../formats/canonical-json.js';
import { formatInstant } from '../formats/instant.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';
import { saysTheSame } from './correct-expectation.js';
import type { ExpectationFault, ReceiptLine } from './expectation-line.js';
import { lockReceipts } from './facts.store.js';
import { keepRequest, linksFrom, linksTo, relabelsOf, requestUnderKey } from './lineage.store.js';
import type { ChangeFault } from './receipt-changes.js';
import type { ChangeResult, ReceiptChangesService } from './receipt-changes.service.js';
import type { ChangeBody } from './receipt-json.js';
import { type By, revisionInForce } from './receipt-revision.service.js';
import type { ReceiptsService } from './receipts.service.js';
import { findReceipts } from './receipts.store.js';

/** Who asks, under which key, having seen what. */
export interface RequestFacts {
  readonly actor: Actor;
  /** `Idempotency-Key`; null where none is needed. */
  readonly key: string | null;
  /** Tags of `If-Match`, `*` for any revision; null when there was none. */
  readonly ifMatch: readonly string[] | '*' | null;
  /** True for `If-None-Match: *`: only if nobody announced it yet. */
  readonly onlyIfNew: boolean;
  /** How it came; over the API as JSON when left out. */
  readonly how?: string;
  /** Printed name of a person who announces by hand. */
  readonly byHand?: string;
}

export type RequestAnswer =
  | { readonly kind: 'done'; readonly body: unknown; readonly tag: string }
  | { readonly kind: 'faults'; readonly faults: readonly ExpectationFault[] }
  | { readonly kind: 'key-reused' }
  | { readonly kind: 'tag-missing' }
  | ({ readonly kind: 'refused' } & ChangeFault);

/** What a receipt is now, as it is shown to whoever announces it. */
export interface ShownReceipt {
  readonly tag: string;
  readonly body: Readonly<Record<string, unknown>>;
}

interface Key {
  readonly caller: string;
  readonly key: string;
  /** Digest of the request under it. */
  readonly sha256: string;
}

/** Takes back what was done under a key that another request has meanwhile. */
class OtherCameFirst extends Error {
  constructor() {
    super('another request under the same key came first');
  }
}

/** Receipts over HTTP: each request at most once under its key, and never over what its sender has not seen. */
export class ReceiptRequestsService {
  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly site: string,
    private readonly receipts: ReceiptsService,
    private readonly changes: ReceiptChangesService,
  ) {}

  /** null when nobody announced it. */
  show(receiptId: string): Promise<ShownReceipt | null> {
    return this.database.transact((trx) => this.shown(trx, receiptId));
  }

  /** Announces one line. Saying again what is in force changes nothing, whatever the sender has seen. */
  announce(line: ReceiptLine, facts: RequestFacts): Promise<RequestAnswer> {
    return this.once(['announce', line], facts, async (trx) => {
      const { receiptId } = line;
      await lockReceipts(trx, this.site, [receiptId]);
      const row = (await findReceipts(trx, this.site, [receiptId])).get(receiptId);
      const before = row?.announced === 1 ? await revisionInForce(trx, this.site, receiptId) : null;
      if (before !== null && !saysTheSame(before.announced, line)) {
        if (facts.onlyIfNew) return refused('receipt-changed', `receipt ${receiptId} is there`);
        if (facts.ifMatch === null) return { kind: 'tag-missing' };
        const fault = await this.unseen(trx, receiptId, facts);
        if (fault) return fault;
      }
      const { actor } = facts;
      const now = this.clock.now();
      const how = facts.how ?? 'json';
      const announced = await this.receipts.announce(trx, [line], actor, now, how, facts.byHand);
      if (!announced.ok) return { kind: 'faults', faults: announced.faults };
      return this.done(trx, receiptId, { ...announced.lines[0] });
    });
  }

  /** Makes a change that is no announcement. */
  change(receiptId: string, body: ChangeBody, facts: RequestFacts): Promise<RequestAnswer> {
    return this.once([receiptId, body], facts, async (trx) => {
      const by: By = { actor: facts.actor, now: this.clock.now(), source: body.reason };
      if (body.change !== 'merge') {
        await lockReceipts(trx, this.site, [receiptId]);
        const fault = await this.unseen(trx, receiptId, facts);
        if (fault) return fault;
      }
      const result = await makeChange(this.changes, trx, receiptId, body, by);
      if (!result.ok) return refused(result.code, result.detail);
      return this.done(trx, receiptId, { receipts: result.receipts });
    });
  }

  /** The first answer again for the same request under the same key. Only what was done is kept. */
  private async once(
    request: unknown,
    facts: RequestFacts,
    work: (trx: Trx) => Promise<RequestAnswer>,
  ): Promise<RequestAnswer> {
    const { key, actor } = facts;
    if (key === null) return this.database.transact(work);
    const under: Key = {
      caller: `${actor.kind}:${actor.name}`,
      key,
      sha256: canonicalDigest(request),
    };
    try {
      return await this.underKey(under, work);
    } catch (error) {
      if (!(error instanceof OtherCameFirst)) throw error;
      // What the other one was answered is committed by now.
      return this.underKey(under, work);
    }
  }

  private underKey(
    { caller, key, sha256 }: Key,
    work: (trx: Trx) => Promise<RequestAnswer>,
  ): Promise<RequestAnswer> {
    return this.database.transact(async (trx) => {
      const held = await requestUnderKey(trx, caller, key);
      if (held !== null) return answerUnder(held, sha256);
      const answer = await work(trx);
      if (answer.kind !== 'done') {
        // The same request, sent once more while the first was waiting, finds its work done behind its locks.
        const first = await requestUnderKey(trx, caller, key);
        return first === null ? answer : answerUnder(first, sha256);
      }
      const row = {
        caller,
        key,
        request_sha256: sha256,
        answer: JSON.stringify({ body: answer.body, tag: answer.tag }),
        at: this.clock.now(),
      };
      if (await keepRequest(trx, row)) return answer;
      throw new OtherCameFirst();
    });
  }

  private async unseen(
    trx: Trx,
    receiptId: string,
    { ifMatch }: RequestFacts,
  ): Promise<RequestAnswer | null> {
    if (ifMatch === null || ifMatch === '*') return null;
    const shown = await this.shown(trx, receiptId);
    if (shown === null || ifMatch.includes(shown.tag)) return null;
    return refused('receipt-changed', `receipt ${receiptId} has the ETag "${shown.tag}" now`);
  }

  private async done(
    trx: Trx,
    receiptId: string,
    body: Readonly<Record<string, unknown>>,
  ): Promise<RequestAnswer> {
    const shown = await this.shown(trx, receiptId);
    if (shown === null) throw new Error(`receipt ${receiptId} is not there after its change`);
    return { kind: 'done', body, tag: shown.tag };
  }

  private async shown(reader: Reader, receiptId: string): Promise<ShownReceipt | null> {
    const row = (await findReceipts(reader, this.site, [receiptId])).get(receiptId);
    if (row?.announced !== 1) return null;
    const before = await revisionInForce(reader, this.site, receiptId);
    if (before === null) return null;
    const { inForce, keptBack, plan } = before;
    const linked = row.linked === 1;
    const came = linked ? await linksTo(reader, this.site, receiptId) : [];
    const went = linked ? await linksFrom(reader, this.site, receiptId) : [];
    const relabels = await relabelsOf(reader, this.site, [receiptId]);
    const { receivedAt, retestAt, comesFrom: _, ...texts } = inForce;
    const body = {
      ...texts,
      receivedAt: receivedAt === null ? null : formatInstant(receivedAt),
      retestAt: retestAt === null ? null : formatInstant(retestAt),
      revision: row.revision,
      status: row.status,
      keptBack,
      plan: plan && { kind: plan.kind, required: before.required.size, decision: plan.decision },
      comesFrom: came.map((l) => ({
        receiptId: l.from_receipt,
        as: l.kind,
        signed: l.signature_id !== null,
      })),
      wentTo: went.map((l) => ({ receiptId: l.to_receipt, as: l.kind })),
      relabelled: relabels.map((r) => ({
        from: r.old_label,
        to: r.new_label,
        witness: r.witness,
        reason: r.reason,
        at: formatInstant(r.at),
      })),
    };
    return { tag: canonicalDigest({ receiptId, revision: row.revision, inForce }), body };
  }
}

/** Makes a change as it was asked for; the asker's transaction decides whether it stays. */
export function makeChange(
  changes: ReceiptChangesService,
  trx: Trx,
  receiptId: string,
  body: ChangeBody,
  by: By,
): Promise<ChangeResult> {
  const of = { receiptId, seen: null };
  switch (body.change) {
    case 'cancel':
      return changes.cancel(trx, of, by);
    case 'relabel': {
      const { from, to, witness } = body;
      return changes.relabel(trx, { ...of, from, to, witness }, by);
    }
    case 'split':
      return changes.split(trx, { ...of, parts: body.parts }, by);
    case 'split-off':
      return changes.splitOff(trx, { ...of, part: body.part }, by);
    case 'merge': {
      const { change: _, reason: __, ...merge } = body;
      return changes.merge(trx, { receiptId, ...merge }, by);
    }
  }
}

function answerUnder(
  held: { readonly request_sha256: string; readonly answer: string },
  digest: string,
): RequestAnswer {
  if (held.request_sha256 !== digest) return { kind: 'key-reused' };
  const { body, tag } = JSON.parse(held.answer) as { body: unknown; tag: string };
  return { kind: 'done', body, tag };
}

function refused(code: ChangeFault['code'], detail: string): RequestAnswer {
  return { kind: 'refused', code, detail };
}
