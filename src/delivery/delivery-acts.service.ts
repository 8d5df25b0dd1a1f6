import { uuidv7 } from 'uuidv7';
import { type Actor, recordAudit } from '../audit/audit.store.js';
import { formatInstant, type Instant } from '../formats/instant.js';
import { requireFolderInForce } from '../methods/method-registry.store.js';
import { lockReceipts, markEvaluationDue } from '../receipts/facts.store.js';
import type { Destination } from '../site/site-folder.js';
import type { Trx } from '../storage/database.js';
import type { DeliveryAct, DeliveryActRow, DeliveryRow } from '../storage/tables.js';
import { holdReceipts } from './claim.store.js';
import {
  type ActAnswer,
  type ActReport,
  type NamedDelivery,
  reportOf,
} from './delivery-act-answer.js';
import {
  actOn,
  actsOf,
  buildsOf,
  deliveryById,
  insertAct,
  insertNextBuild,
  lockDelivery,
  type StoppedQuery,
  stoppedCounts,
  stoppedDeliveries,
  type TakenUp,
  takeUp,
} from './delivery-acts.store.js';
import { factReceipts } from './delivery-mapping.js';
import { attemptsOf } from './delivery-report.store.js';
import { nextSequence } from './outbox.store.js';
import {
  type DeliveryPage,
  type ShownDelivery,
  type StoppedCount,
  shownAct,
  shownAttempt,
} from './shown-delivery.js';
import { type ActDecision, decideAct } from './stopped-delivery.js';
import { type Weighed, Weighing, type WeighingParts } from './weighing.service.js';

export interface DeliveryActParts extends WeighingParts {
  /** Called after the commit: something may leave, or is to be asked about. */
  readonly onMoved: (destination: string) => void;
}

export interface AskedAct {
  readonly act: DeliveryAct;
  /** Version of the delivery as it was shown. */
  readonly version: string;
  readonly reason: string;
  readonly actor: Actor;
}

/** Lets people have stopped deliveries sent again, built anew or given up, within what cannot double or mislead. */
export class DeliveryActs {
  readonly #weighing: Weighing;

  constructor(private readonly parts: DeliveryActParts) {
    this.#weighing = new Weighing(parts);
  }

  /** Deliveries that stopped, the oldest first. */
  async list(of: Omit<StoppedQuery, 'site'>): Promise<ShownDelivery[]> {
    const { database, site } = this.parts;
    const rows = await stoppedDeliveries(database.db, { ...of, site: site.site });
    const shown: ShownDelivery[] = [];
    for (const row of rows) {
      const delivery = await this.#weighing.shown(row);
      if (delivery !== null) shown.push(delivery);
    }
    return shown;
  }

  counts(): Promise<StoppedCount[]> {
    return stoppedCounts(this.parts.database.db, this.parts.site.site);
  }

  /** One delivery with its builds, attempts and what people had done with it; null when there is none. */
  async show(id: string): Promise<DeliveryPage | null> {
    const { database, site } = this.parts;
    const row = await deliveryById(database.db, site.site, id);
    const delivery = row === null ? null : await this.#weighing.shown(row);
    if (row === null || delivery === null) return null;
    return {
      delivery,
      builds: await buildsOf(database.db, row),
      attempts: (await attemptsOf(database.db, id)).map(shownAttempt),
      acts: (await actsOf(database.db, id)).map(shownAct),
    };
  }

  /**
   * Does what a person asks, if the delivery is as it was shown to them and nothing can be doubled by it.
   *
   * @throws SiteFolderOutdated when another site folder was activated than this process runs by
   */
  async act(id: string, asked: AskedAct): Promise<ActAnswer> {
    const { database, site, onMoved } = this.parts;
    const seen = await deliveryById(database.db, site.site, id);
    const destination = seen === null ? null : this.#weighing.destination(seen);
    if (seen === null || destination === null) return { kind: 'unknown' };
    const askable = await this.#weighing.askable(seen, destination);
    const answer = await database.transact((trx) =>
      this.#act(trx, seen, destination, askable, asked),
    );
    if (answer.kind === 'done') onMoved(seen.destination);
    return answer;
  }

  /** The same act for several, one after the other; each with what was done, or why nothing was. */
  async actOnAll(
    named: readonly NamedDelivery[],
    asked: Omit<AskedAct, 'version'>,
  ): Promise<ActReport[]> {
    const reports: ActReport[] = [];
    for (const { id, version } of named) {
      reports.push(reportOf(id, await this.act(id, { ...asked, version })));
    }
    return reports;
  }

  async #act(
    trx: Trx,
    seen: DeliveryRow,
    destination: Destination,
    askable: boolean,
    asked: AskedAct,
  ): Promise<ActAnswer> {
    // A build is pinned to the mapping that this process knows, and what is doubtful is decided by its destinations.
    await requireFolderInForce(trx, this.parts.site);
    await this.#lockReceipt(trx, seen);
    const row = await lockDelivery(trx, seen.id);
    const weighed = await this.#weighing.weigh(trx, row, destination, askable);
    if (weighed.version !== asked.version) return await changedSince(trx, row, asked);
    const decision = decideAct(asked.act, weighed.facts);
    if (decision.kind === 'refused') return decision;
    const now = this.parts.clock.now();
    const written = await this.#write(trx, row, decision, weighed, asked, now);
    await this.#record(trx, row, written, asked, now);
    await markEvaluationDue(trx, row.site, factReceipts(row));
    const { done, deliveryId } = written;
    return { kind: 'done', done, deliveryId, isRepeated: false };
  }

  /** A statement's own delivery is none of its facts, but no other statement may come in between. */
  async #lockReceipt(trx: Trx, { site, receipt_id: receipt, message }: DeliveryRow): Promise<void> {
    if (receipt === null) return;
    if (message === 'statement') await holdReceipts(trx, site, [receipt]);
    else await lockReceipts(trx, site, [receipt]);
  }

  async #write(
    trx: Trx,
    row: DeliveryRow,
    decision: Exclude<ActDecision, { kind: 'refused' }>,
    { doubtfulSince, mappingInForce }: Weighed,
    { reason }: AskedAct,
    now: Instant,
  ): Promise<Written> {
    switch (decision.kind) {
      case 'send': {
        const change = decision.isDoubtful
          ? sendingInDoubt(row, doubtfulSince, now)
          : ({ state: 'due', due_at: now, next_ask_at: null } as const);
        await takeUp(trx, row, change);
        return { done: 'sent-again', deliveryId: row.id, state: change.state };
      }
      case 'ask': {
        const change = askingFirst(row, doubtfulSince, now);
        await takeUp(trx, row, change);
        return { done: 'asked-first', deliveryId: row.id, state: change.state };
      }
      case 'retire':
        await takeUp(trx, row, {
          state: 'superseded',
          next_ask_at: null,
          reason: `given up by a person: ${reason}`,
        });
        return { done: 'retired', deliveryId: row.id, state: 'superseded' };
      case 'rebuild': {
        if (mappingInForce === null) throw new Error(`${row.message} is not mapped`);
        const id = uuidv7();
        const freeSeq = await nextSequence(trx, {
          site: row.site,
          destination: row.destination,
          orderingKey: row.ordering_key,
        });
        await takeUp(trx, row, {
          state: 'superseded',
          next_ask_at: null,
          reason: `build ${row.build + 1} takes its place: ${reason}`,
        });
        const { epoch } = this.parts;
        await insertNextBuild(trx, row, {
          id,
          freeSeq,
          mappingDigest: mappingInForce,
          epoch,
          now,
        });
        return { done: 'rebuilt', deliveryId: id, state: 'superseded' };
      }
    }
  }

  async #record(
    trx: Trx,
    row: DeliveryRow,
    { done, deliveryId, state }: Written,
    { act, version, reason, actor }: AskedAct,
    now: Instant,
  ): Promise<void> {
    const made = done === 'rebuilt' ? deliveryId : null;
    await insertAct(trx, {
      id: uuidv7(),
      site: row.site,
      delivery_id: row.id,
      version,
      act,
      done,
      made_delivery_id: made,
      actor: actor.name,
      reason,
      at: now,
    });
    await recordAudit(trx, {
      site: row.site,
      zone: this.parts.site.timeZone,
      at: now,
      actor,
      action: `delivery.${done}`,
      subjectKind: 'delivery',
      subjectId: row.id,
      reason,
      before: {
        state: row.state,
        fault: row.fault,
        destination: row.destination,
        message: row.message,
        build: row.build,
      },
      after: { state, ...(made === null ? {} : { build: row.build + 1, delivery: made }) },
    });
  }
}

interface Written {
  readonly done: DeliveryActRow['done'];
  readonly deliveryId: string;
  readonly state: DeliveryRow['state'];
}

function askingFirst(row: DeliveryRow, doubtfulSince: Instant | null, now: Instant): TakenUp {
  return row.payload_sha256 === null
    ? buildingFirst(doubtfulSince, now)
    : { state: 'uncertain', next_ask_at: now, ...since(doubtfulSince) };
}

function sendingInDoubt(row: DeliveryRow, doubtfulSince: Instant | null, now: Instant): TakenUp {
  return row.payload_sha256 === null
    ? buildingFirst(doubtfulSince, now)
    : { state: 'uncertain', due_at: now, next_ask_at: null };
}

/** What has no payload yet can neither be asked about nor sent: it is built, and in doubt as before then (`savePayloads`). */
function buildingFirst(doubtfulSince: Instant | null, now: Instant): TakenUp {
  return { state: 'due', due_at: now, next_ask_at: null, ...since(doubtfulSince) };
}

function since(doubtfulSince: Instant | null): Pick<TakenUp, 'ask_since'> {
  return doubtfulSince === null ? {} : { ask_since: doubtfulSince };
}

/** A second click of the same person gets the answer of the first; anybody else learns what happened. */
async function changedSince(trx: Trx, row: DeliveryRow, asked: AskedAct): Promise<ActAnswer> {
  const before = await actOn(trx, row.id, asked.version);
  if (before === null) {
    return { kind: 'changed', found: `the delivery is ${row.state} by now` };
  }
  if (before.actor === asked.actor.name && before.act === asked.act) {
    const deliveryId = before.made_delivery_id ?? row.id;
    return { kind: 'done', done: before.done, deliveryId, isRepeated: true };
  }
  return {
    kind: 'changed',
    found: `somebody had it ${before.done} at ${formatInstant(before.at)}`,
  };
}
