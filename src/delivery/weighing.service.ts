import { formatInstant, type Instant } from '../formats/instant.js';
import type { Destination, SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Reader } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';
import { buildsOf, isRecovering } from './delivery-acts.store.js';
import { overtakenBy, subjectName, whatFollows } from './delivery-currency.store.js';
import {
  canBeAsked,
  type DeliveryMapping,
  keyHoldsAt,
  keyIsHonoured,
  messageName,
} from './delivery-mapping.js';
import { attemptsOf, firstSentAt } from './delivery-report.store.js';
import { standingOf } from './delivery-standing.js';
import { possibleAct, type ShownDelivery, versionOf } from './shown-delivery.js';
import { decideAct, type StoppedFacts } from './stopped-delivery.js';

export interface WeighingParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  /** What new builds are pinned to. */
  readonly mappings: ReadonlyMap<
    string,
    { readonly digest: string; readonly messages: readonly string[] }
  >;
  readonly mapping: Pick<DeliveryMapping, 'forDigest'>;
  readonly epoch: number;
  /** When this life of the database began; what an earlier one created may have been sent by it until then. */
  readonly epochSince: Instant;
}

/** What a decision about a delivery rests on, and the version of it. */
export interface Weighed {
  readonly facts: StoppedFacts;
  readonly version: string;
  readonly mappingInForce: string | null;
  readonly doubtfulSince: Instant | null;
}

/** Gathers what is known of a delivery that a person decides about. */
export class Weighing {
  constructor(private readonly parts: WeighingParts) {}

  /** As it is shown; null when the site has no such destination any more. */
  async shown(row: DeliveryRow): Promise<ShownDelivery | null> {
    const destination = this.destination(row);
    if (destination === null) return null;
    const askable = await this.askable(row, destination);
    const { db } = this.parts.database;
    const { facts, version, mappingInForce } = await this.weigh(db, row, destination, askable);
    return {
      id: row.id,
      version: version as ShownDelivery['version'],
      destination: row.destination,
      message: row.message,
      subjectId: row.subject_id,
      about: await subjectName(db, row),
      revision: row.subject_revision,
      receiptId: row.receipt_id,
      build: row.build,
      state: row.state,
      fault: row.fault,
      reason: row.reason,
      standing: facts.standing,
      attempts: row.attempts,
      createdAt: formatInstant(row.created_at),
      idempotencyKey: row.idempotency_key,
      destinationReference: row.destination_reference,
      mapping: row.mapping_digest,
      mappingInForce,
      resend: possibleAct(decideAct('resend', facts)),
      rebuild: possibleAct(decideAct('rebuild', facts)),
      retire: possibleAct(decideAct('retire', facts)),
    };
  }

  /** @param askable from `askable`, which reads more than a transaction may wait for */
  async weigh(
    reader: Reader,
    row: DeliveryRow,
    destination: Destination,
    askable: boolean,
  ): Promise<Weighed> {
    const { clock, mappings } = this.parts;
    const active = mappings.get(row.destination);
    const mappingInForce = active?.messages.includes(messageName(row)) ? active.digest : null;
    const builds = await buildsOf(reader, row);
    const latestBuild = Math.max(...builds.map(({ build }) => build));
    const doubtfulSince = this.#doubtfulSince(row);
    const sentAt = await firstSentAt(reader, row.id);
    const follows = row.message === 'stop' ? NOTHING_FOLLOWS : await whatFollows(reader, row);
    const facts: StoppedFacts = {
      state: row.state,
      fault: row.fault,
      message: row.message,
      build: row.build,
      latestBuild,
      standing: standingOf(await attemptsOf(reader, row.id), destination.timing, doubtfulSince),
      honoursKey: keyIsHonoured(destination),
      // Another life may have sent it as soon as it was created.
      keyHolds: keyHoldsAt(
        destination,
        sentAt ?? (doubtfulSince === null ? null : row.created_at),
        clock.now(),
      ),
      askable,
      overtakenBy: await overtakenBy(reader, row),
      ...follows,
      isMapped: mappingInForce !== null,
      isRecovering: await isRecovering(reader),
    };
    const version = versionOf(row, { latestBuild, mappingInForce });
    return { facts, version, mappingInForce, doubtfulSince };
  }

  /** What an earlier life of the database created, that life may have sent until this one began (rule 28). */
  #doubtfulSince(row: DeliveryRow): Instant | null {
    const { epoch, epochSince } = this.parts;
    const createdIn = Number(row.idempotency_key.split('.').at(-1));
    if (createdIn === epoch) return row.ask_since;
    return Math.max(epochSince, row.ask_since ?? epochSince) as Instant;
  }

  async askable(row: DeliveryRow, destination: Destination): Promise<boolean> {
    const { document } = await this.parts.mapping.forDigest(row.mapping_digest);
    return canBeAsked(destination, document.messages[messageName(row)]?.readBack ?? null);
  }

  destination(row: DeliveryRow): Destination | null {
    return this.parts.site.destinations.find((d) => d.name === row.destination) ?? null;
  }
}

/** Stops never wait for one another. */
const NOTHING_FOLLOWS = { isFollowed: false, laterHasLeft: false };
