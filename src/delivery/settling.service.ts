import { addMs, type Instant } from '../formats/instant.js';
import { lockReceiptsMarking, markEvaluationDue } from '../receipts/facts.store.js';
import type { Destination } from '../site/site-folder.js';
import type { Trx } from '../storage/database.js';
import type { AttemptOutcome } from './attempt-outcome.js';
import { type BreakerState, breakerAfter } from './breaker.js';
import { type Claim, holdConforms } from './claim.store.js';
import { factReceipts } from './delivery-mapping.js';
import type { DeliveryParts } from './delivery-parts.service.js';
import {
  askForLook,
  breakerOf,
  lockDestination,
  readDestination,
  saveBreaker,
} from './destination.store.js';
import { maySendAgain } from './due-deliveries.store.js';
import { keyHolds } from './key-memory.service.js';
import { nextStep, type Step, triesOf } from './next-step.js';
import {
  acceptDeliveries,
  auditDeliveries,
  changeDelivery,
  finishAttempts,
  lastConformsAttempt,
} from './outcome.store.js';
import type { Sent } from './sender.service.js';
import { changeOfStep, isNews, type StepChange } from './step-change.js';
import { nextStopStep, stopReadBackAt } from './stop-policy.js';
import { Together } from './together.service.js';

/** Outcomes in one commit: enough to share a flush, few enough that one that waits for its receipt holds few. */
const TOGETHER_MAX = 16;
/** Commits of one destination at once: while one waits for a receipt, others are still written. */
const COMMITS_MAX = 2;

/** A send that ended. */
export interface Ended {
  readonly claim: Claim;
  readonly sent: Sent;
}

interface Decided extends Ended {
  readonly step: Step;
  readonly change: StepChange;
}

/** Writes how sends ended (T4). Answers that come while others are written share the next commit. */
export class Settling {
  readonly #parts: DeliveryParts;
  readonly #endings = new Map<string, Together<Ended>>();

  constructor(parts: DeliveryParts) {
    this.#parts = parts;
  }

  /** Resolves when the outcome is committed. */
  settle(destination: Destination, ended: Ended): Promise<void> {
    const endings = this.#endings.get(destination.name) ?? this.#endingsOf(destination);
    this.#endings.set(destination.name, endings);
    return endings.add(ended);
  }

  #endingsOf(destination: Destination): Together<Ended> {
    return new Together({
      write: (ended) => this.#parts.settle((trx) => this.#settle(trx, destination, ended)),
      itemsMax: TOGETHER_MAX,
      commitsMax: COMMITS_MAX,
    });
  }

  /** The attempt's end always, the delivery's only while it still stands as it was claimed. */
  async #settle(
    trx: Trx,
    destination: Destination,
    all: readonly Ended[],
  ): Promise<readonly string[]> {
    const { clock, site } = this.#parts.options;
    // What was accepted is news as a rule; marked for nothing, a receipt is evaluated for nothing.
    const marked = new Set(all.filter(isAccepted).flatMap(receiptsOf));
    await holdConforms(
      trx,
      site.site,
      all.map(({ claim }) => claim.row),
    );
    await lockReceiptsMarking(trx, site.site, all.flatMap(receiptsOf), marked);
    const now = clock.now();
    const outcomes = all.map(({ sent }) => sent.outcome.kind);
    await this.#countForBreaker(trx, destination, outcomes, now);
    const decided: Decided[] = [];
    for (const ended of all) decided.push(await this.#decide(trx, destination, ended, now));
    const changed = await change(trx, decided, now);
    await finishAttempts(
      trx,
      all.map(({ claim, sent }) => ({ id: claim.attemptId, ...sent.end })),
      now,
    );
    await auditDeliveries(
      trx,
      decided.map(({ claim: { row }, sent, step, change: after }) => {
        const isChanged = changed.has(row.id);
        return {
          row: { ...row, state: 'sending' },
          zone: site.timeZone,
          at: now,
          action: isChanged ? `delivery.${step.kind}` : 'delivery.late-outcome',
          reason: sent.end.detail,
          after: isChanged ? after : { outcome: sent.outcome.kind },
        };
      }),
    );
    const news = decided.filter(
      ({ claim: { row, was }, change: after }) =>
        changed.has(row.id) && isNews({ state: was, fault: row.fault }, after),
    );
    const receipts = news.flatMap(receiptsOf);
    const unmarked = receipts.filter((id) => !marked.has(id));
    await markEvaluationDue(trx, site.site, unmarked);
    return receipts;
  }

  async #decide(trx: Trx, destination: Destination, ended: Ended, now: Instant): Promise<Decided> {
    const step = await this.#step(trx, destination, ended, now);
    const { claim, sent } = ended;
    const change = changeOfStep(step, claim.row.fault, sent.end.detail, now);
    // The claim counted it; limits count what was tried.
    const untried =
      sent.outcome.kind === 'postponed' ? { attempts_before: claim.row.attempts_before + 1 } : {};
    return { ...ended, step, change: { ...change, ...untried } };
  }

  async #step(
    trx: Trx,
    destination: Destination,
    { claim, sent }: Ended,
    now: Instant,
  ): Promise<Step> {
    const { random } = this.#parts.options;
    const { row } = claim;
    const facts = {
      attempts: triesOf(row),
      honoursKey: await keyHolds(trx, destination, row, addMs(now, destination.timing.retryMaxMs)),
      askable: sent.askable,
      wasUncertain: claim.was === 'uncertain',
      wasDenied: row.fault === 'credentials',
      // Every delivery comes here, and what was accepted is not sent again anyway.
      maySend: sent.outcome.kind === 'accepted' || (await maySendAgain(trx, row)),
    };
    if (row.message !== 'stop') {
      return nextStep(facts, sent.outcome, destination.timing, now, random());
    }
    const step = nextStopStep(facts, sent.outcome, destination.timing, now, random());
    if (step.kind !== 'accept' || step.askAt === null) return step;
    const conformsSentAt = await lastConformsAttempt(trx, {
      site: row.site,
      destination: row.destination,
      receiptId: row.receipt_id,
    });
    return { ...step, askAt: stopReadBackAt(conformsSentAt, destination.timing, now) };
  }

  async #countForBreaker(
    trx: Trx,
    destination: Destination,
    outcomes: readonly AttemptOutcome['kind'][],
    now: Instant,
  ): Promise<void> {
    const { site } = this.#parts.options;
    const { ratePerSecond, retryMaxMs } = destination.timing;
    const seen = await readDestination(trx, site.site, destination.name);
    const leaves = (before: BreakerState) =>
      outcomes.every((outcome) => isUnchanged(before, outcome, retryMaxMs, now));
    if (seen !== null && leaves(breakerOf(seen))) return;
    const row = await lockDestination(trx, site.site, destination.name, ratePerSecond, now);
    if (leaves(breakerOf(row))) return;
    const after = outcomes.reduce(
      (state, outcome) => breakerAfter(state, outcome, retryMaxMs, now),
      breakerOf(row),
    );
    await saveBreaker(trx, site.site, destination.name, after);
    if (row.breaker === 'open' && after.breaker === 'closed') await askForLook(trx, row, now);
  }
}

/** Returns the ids of those that stood as they were claimed. */
async function change(
  trx: Trx,
  decided: readonly Decided[],
  now: Instant,
): Promise<ReadonlySet<string>> {
  const accepted = decided.flatMap(({ claim: { id, fence }, step, change: after }) =>
    step.kind === 'accept'
      ? [{ id, fence, askAt: step.askAt, reference: step.reference, fault: after.fault ?? null }]
      : [],
  );
  const changed = new Set(await acceptDeliveries(trx, accepted, now));
  for (const { claim, step, change: after } of decided) {
    if (step.kind === 'accept') continue;
    const held = { id: claim.id, state: 'sending', fence: claim.fence } as const;
    if (await changeDelivery(trx, held, after)) changed.add(claim.id);
  }
  return changed;
}

/** True when an outcome leaves the breaker as it is: the usual case, which takes no lock. */
function isUnchanged(
  before: BreakerState,
  outcome: AttemptOutcome['kind'],
  openForMs: number,
  now: Instant,
): boolean {
  const after = breakerAfter(before, outcome, openForMs, now);
  return (
    after === before ||
    (after.breaker === before.breaker && after.failures === before.failures && !after.until)
  );
}

function isAccepted({ sent }: Ended): boolean {
  return sent.outcome.kind === 'accepted';
}

function receiptsOf({ claim: { row } }: Ended): readonly string[] {
  return factReceipts(row);
}
