import { recordAudit, recordAudits } from '../audit/audit.store.js';
import { addMs, type Instant } from '../formats/instant.js';
import {
  lockReceiptsMarking,
  markEvaluationDue,
  tellWaitingReceipts,
} from '../receipts/facts.store.js';
import { receiptsGoingOn } from '../receipts/lineage.store.js';
import type { Destination } from '../site/site-folder.js';
import type { Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import type { DeliveryRow } from '../storage/tables.js';
import { type AskHistory, askHistories, claimAsks, isAskDue, recordAsks } from './ask.store.js';
import { holdConforms } from './claim.store.js';
import { canBeAsked, factReceipts, messageName } from './delivery-mapping.js';
import type { DeliveryParts } from './delivery-parts.service.js';
import { isStopOnItsWay, maySendAgain } from './due-deliveries.store.js';
import { keyHolds } from './key-memory.service.js';
import { type Asked, Looking } from './looking.service.js';
import { triesOf } from './next-step.js';
import { whatWentThere } from './of-the-same.store.js';
import {
  auditDelivery,
  changeDelivery,
  lastConformsAttempt,
  markStopEffective,
  type OvertakenDelivery,
  supersedeBelowStatement,
  supersedeBelowStop,
} from './outcome.store.js';
import { type ReadBackAnswer, unlessOurs } from './read-back-answer.js';
import { type AskStep, judgeReadBack } from './read-back-judgement.js';
import { changeOfAsk, isNews, type StepChange } from './step-change.js';
import { judgeStopReadBack, stopReadBackAt } from './stop-policy.js';
import { Together } from './together.service.js';

/** How long after its deadline a question that nobody finished is asked again. */
const ASK_AGAIN_BEYOND_DEADLINE_MS = 1_000;

/** Answers in one commit, and commits of one destination at once: as for sends. */
const TOGETHER_MAX = 16;
const COMMITS_MAX = 2;

export interface ClaimedAsk {
  readonly id: string;
  readonly row: DeliveryRow;
  readonly fence: number;
  readonly worker: string;
  readonly startedAt: Instant;
}

/** A read-back that was answered. */
interface Answered {
  readonly claimed: ClaimedAsk;
  readonly asked: Asked;
}

/** Reads deliveries back and writes what was found. */
export class Asking {
  readonly #parts: DeliveryParts;
  readonly #looking: Looking;
  readonly #answers = new Map<string, Together<Answered>>();

  constructor(parts: DeliveryParts) {
    this.#parts = parts;
    this.#looking = new Looking(parts);
  }

  /**
   * Takes the read-backs that are due, at most `room`. Pausing holds no question.
   *
   * @param patienceMs only those that have been due for so long
   */
  async claim(
    destination: Destination,
    stops: boolean,
    room: number,
    patienceMs = 0,
  ): Promise<readonly ClaimedAsk[]> {
    if (room <= 0) return [];
    const { database, site, clock } = this.#parts.options;
    const of = {
      site: site.site,
      destination: destination.name,
      stops,
      now: addMs(clock.now(), -patienceMs),
      limit: room,
    };
    if (!(await isAskDue(database.db, of))) return [];
    return await this.#parts.take(async (trx, worker) => {
      const now = clock.now();
      const askAgainAt = addMs(now, destination.timing.deadlineMs + ASK_AGAIN_BEYOND_DEADLINE_MS);
      const rows = await claimAsks(trx, of, worker, askAgainAt);
      return rows.map((row) => ({ id: row.id, row, fence: row.fence, worker, startedAt: now }));
    });
  }

  /** Asks about one delivery and writes the judgement. */
  async ask(destination: Destination, claimed: ClaimedAsk): Promise<void> {
    try {
      await this.#ask(destination, claimed);
    } finally {
      this.#parts.busy.end(claimed);
    }
  }

  async #ask(destination: Destination, claimed: ClaimedAsk): Promise<void> {
    const { document } = await this.#parts.options.mapping.forDigest(claimed.row.mapping_digest);
    const readBack = document.messages[messageName(claimed.row)]?.readBack ?? null;
    if (!canBeAsked(destination, readBack)) {
      await this.#parts.settle((trx) => this.#giveUpAsking(trx, destination, claimed));
      return;
    }
    const asked = await this.#looking.question(claimed.row, document);
    // What is said of a stop waits for nothing else. Where receipts are locked one by one, whoever holds some of them
    // while it waits for another holds up all that bears on them.
    const isAlone =
      claimed.row.message === 'stop' || dialectOf(this.#parts.options.database.db).isShared;
    if (isAlone) {
      await this.#parts.settle((trx) => this.#settle(trx, destination, [{ claimed, asked }]));
    } else await this.#answersOf(destination).add({ claimed, asked });
  }

  /** Answers that come while others are written share the next commit. */
  #answersOf(destination: Destination): Together<Answered> {
    const known = this.#answers.get(destination.name);
    if (known !== undefined) return known;
    const answers = new Together<Answered>({
      write: (all) => this.#parts.settle((trx) => this.#settle(trx, destination, all)),
      itemsMax: TOGETHER_MAX,
      commitsMax: COMMITS_MAX,
    });
    this.#answers.set(destination.name, answers);
    return answers;
  }

  async #settle(
    trx: Trx,
    destination: Destination,
    all: readonly Answered[],
  ): Promise<readonly string[]> {
    const { clock, site } = this.#parts.options;
    const rows = all.map(({ claimed }) => claimed.row);
    // One equal message confirms the delivery, which is news; marked for nothing, a receipt is evaluated for nothing.
    const equal = all.filter(({ asked }) => asked.answer.kind === 'one');
    const marked = new Set(equal.flatMap(({ claimed }) => factReceipts(claimed.row)));
    await holdConforms(trx, site.site, rows);
    await lockReceiptsMarking(trx, site.site, rows.flatMap(factReceipts), marked);
    const now = clock.now();
    const histories = await askHistories(trx, rows, now);
    const judgedBy = await this.#byWhatIsOurs(trx, all);
    await recordAsks(
      trx,
      judgedBy.map(({ claimed: { row, worker, fence, startedAt }, asked }) => ({
        ...{ row, worker, fence, startedAt },
        number: historyOf(histories, row).asks + 1,
        end: {
          finishedAt: now,
          outcome: asked.answer.kind,
          status: asked.status,
          answer: asked.text,
          detail: 'detail' in asked.answer ? asked.answer.detail : null,
        },
      })),
    );
    const news: string[] = [];
    const shown: DeliveryRow[] = [];
    for (const { claimed, asked } of judgedBy) {
      const { row } = claimed;
      const history = historyOf(histories, row);
      const judged = await this.#judge(trx, destination, row, asked.answer, history, now);
      const change = changeOfAsk(judged, { state: stateOf(row), fault: row.fault }, now);
      if (!(await this.#write(trx, claimed, change, judged, now))) continue;
      if (judged.kind === 'confirm') {
        await this.#overtake(trx, row, now);
        shown.push(row);
      }
      news.push(...factReceipts(row));
    }
    await markEvaluationDue(
      trx,
      site.site,
      news.filter((id) => !marked.has(id)),
    );
    await this.#tellParts(trx, shown);
    return news;
  }

  /**
   * What is withdrawn of a receipt is waited for by whatever was split off it or merged from it, which nobody has locked here.
   */
  async #tellParts(trx: Trx, shown: readonly DeliveryRow[]): Promise<void> {
    const { site } = this.#parts.options.site;
    const withdrawn = shown.filter(({ message }) => message === 'withdrawal');
    for (const id of new Set(withdrawn.flatMap(factReceipts))) {
      if ((await receiptsGoingOn(trx, site, id)).length === 0) continue;
      await tellWaitingReceipts(trx, site);
      return;
    }
  }

  /**
   * A later revision that nobody here sent overtakes nothing: a stop would count as effective behind the *conforms* of somebody
   * else, a result as shown that is something else there by now. A statement below it says nothing any more, whoever
   * wrote that: it is as good as received.
   */
  async #byWhatIsOurs(trx: Trx, all: readonly Answered[]): Promise<readonly Answered[]> {
    const answers: Answered[] = [];
    for (const one of all) {
      const { row } = one.claimed;
      const { answer } = one.asked;
      if (answer.kind !== 'overtaken' || row.message === 'statement') {
        answers.push(one);
        continue;
      }
      const { highestSent } = await whatWentThere(trx, row);
      const counted = unlessOurs(answer, highestSent);
      const kept =
        'detail' in counted
          ? { ...counted, detail: this.#parts.options.secrets.mask(counted.detail) }
          : counted;
      answers.push({ ...one, asked: { ...one.asked, answer: kept } });
    }
    return answers;
  }

  async #overtake(trx: Trx, row: DeliveryRow, now: Instant): Promise<void> {
    if (row.message === 'statement') {
      await this.#auditOvertaken(trx, row, await supersedeBelowStatement(trx, row), now);
    }
    if (row.message !== 'stop') return;
    const overtaken = await supersedeBelowStop(trx, row);
    await this.#auditOvertaken(trx, row, overtaken, now);
    const earlier = overtaken.filter(({ message }) => message === 'stop');
    for (const stopId of [...earlier.map(({ subject_id }) => subject_id), row.subject_id]) {
      if (!(await markStopEffective(trx, row.site, stopId, now))) continue;
      await recordAudit(trx, {
        site: row.site,
        zone: this.#parts.options.site.timeZone,
        at: now,
        actor: { kind: 'system', name: 'delivery' },
        action: 'stop.effective',
        subjectKind: 'stop',
        subjectId: stopId,
        reason: `${row.destination} shows delivery ${row.id}`,
        before: { effectiveAt: null },
        after: { effectiveAt: now },
      });
    }
  }

  async #auditOvertaken(
    trx: Trx,
    by: DeliveryRow,
    overtaken: readonly OvertakenDelivery[],
    now: Instant,
  ): Promise<void> {
    const events = overtaken.map(({ id, message, reason }) => ({
      site: by.site,
      zone: this.#parts.options.site.timeZone,
      at: now,
      actor: { kind: 'system', name: 'delivery' } as const,
      action: 'delivery.superseded',
      subjectKind: 'delivery',
      subjectId: id,
      ...(reason === null ? {} : { reason }),
      before: { destination: by.destination, message },
      after: { state: 'superseded', by: by.id },
    }));
    await recordAudits(trx, events);
  }

  /** True when the change took place and says something new. */
  async #write(
    trx: Trx,
    { row, fence }: ClaimedAsk,
    change: StepChange,
    judged: AskStep,
    now: Instant,
  ): Promise<boolean> {
    const held = { id: row.id, state: row.state, fence };
    if (!(await changeDelivery(trx, held, change))) return false;
    if (!isNews(row, change)) return false;
    await auditDelivery(trx, row, {
      zone: this.#parts.options.site.timeZone,
      at: now,
      action: `delivery.read-back-${judged.kind}`,
      reason: judged.kind === 'wait' ? judged.detail : (change.reason ?? null),
      after: change,
    });
    return true;
  }

  async #judge(
    trx: Trx,
    destination: Destination,
    row: DeliveryRow,
    answer: ReadBackAnswer,
    history: { readonly asks: number; readonly sentAt: Instant },
    now: Instant,
  ): Promise<AskStep> {
    const { random } = this.#parts.options;
    const facts = {
      state: stateOf(row),
      sentAt: history.sentAt,
      attempts: triesOf(row),
      asks: history.asks + 1,
      absentAsks: row.absent_asks,
      // Every read-back comes here, and nothing but an absence has anything sent again.
      maySend: answer.kind !== 'absent' || (await maySendAgain(trx, row)),
    };
    if (row.message !== 'stop') {
      return judgeReadBack(facts, answer, destination.timing, now, random());
    }
    const conformsSentAt = await lastConformsAttempt(trx, {
      site: row.site,
      destination: row.destination,
      receiptId: row.receipt_id,
    });
    // Ahead of a clock that was set back since; it began before the stop that fenced it was there.
    const fencedSince = (conformsSentAt ?? now) > now ? history.sentAt : conformsSentAt;
    const countsFrom = stopReadBackAt(fencedSince, destination.timing, history.sentAt);
    return judgeStopReadBack(facts, answer, countsFrom, destination.timing, now, random());
  }

  /**
   * A doubt that cannot be asked about. A fenced *conforms* keeps waiting for its stop to be effective, where that goes
   * to the same destination; what a claim takes again under an honoured key waits for that; anything else is for a person,
   * as is what was shown to differ while it could still be asked about.
   */
  async #giveUpAsking(
    trx: Trx,
    destination: Destination,
    claimed: ClaimedAsk,
  ): Promise<readonly string[]> {
    const { row, fence } = claimed;
    const now = this.#parts.options.clock.now();
    const held = { id: row.id, state: row.state, fence };
    const isDifferent = row.fault === 'differs';
    const mayBeResent =
      !isDifferent && row.payload_sha256 !== null && (await maySendAgain(trx, row));
    const waits =
      row.state === 'accepted' ||
      (row.barrier === 1 && (await isStopOnItsWay(trx, row))) ||
      (mayBeResent && (await keyHolds(trx, destination, row, now)));
    if (waits) {
      await changeDelivery(trx, held, { state: row.state, next_ask_at: null, claimed_by: null });
      return [];
    }
    const change: StepChange = {
      state: 'parked',
      next_ask_at: null,
      fault: isDifferent ? 'differs' : 'cannot-ask',
      reason: row.reason ?? 'it may have arrived, and the destination cannot be asked',
      claimed_by: null,
    };
    if (!(await changeDelivery(trx, held, change))) return [];
    await auditDelivery(trx, row, {
      zone: this.#parts.options.site.timeZone,
      at: now,
      action: 'delivery.parked',
      reason: change.reason ?? null,
      after: change,
    });
    return [];
  }
}

function historyOf(histories: ReadonlyMap<string, AskHistory>, row: DeliveryRow): AskHistory {
  const history = histories.get(row.id);
  if (history === undefined) throw new Error(`nothing was read about delivery ${row.id}`);
  return history;
}

function stateOf(row: DeliveryRow): 'accepted' | 'uncertain' {
  return row.state === 'accepted' ? 'accepted' : 'uncertain';
}
