import type { DestinationSecrets } from '../access/secret-mask.js';
import { Misconfigured } from '../errors.js';
import type { Subject } from '../mapping/subjects.js';
import type { Destination, SiteFolder } from '../site/site-folder.js';
import { type Clock, elapsedMillis } from '../storage/clock.js';
import type { OpenDatabase, Reader, Trx } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';
import type { WorkerIdentity } from '../storage/worker-identity.js';
import { BusyClaims, type Claimed } from './busy-claims.js';
import type { Began } from './claim.store.js';
import type { DeliveryMapping } from './delivery-mapping.js';
import type { Endpoint } from './endpoint.js';
import { openEndpoint } from './open-endpoint.endpoint.js';
import { Payloads } from './payloads.service.js';
import type { StopsFirst } from './stops-first.service.js';

/**
 * Loads the subject of a delivery from the rows it names, with the delivery's own id, key and build in its
 * head. Null when the row it speaks of is not there.
 */
export type SubjectLoader = (reader: Reader, delivery: DeliveryRow) => Promise<Subject | null>;

export interface DeliveryOptions {
  readonly database: OpenDatabase;
  readonly site: SiteFolder;
  readonly clock: Clock;
  /** Milliseconds that nobody sets, a sleep of the machine included; the machine's own when left out. */
  readonly monotonicMillis?: () => number;
  readonly mapping: DeliveryMapping;
  readonly loadSubject: SubjectLoader;
  /** Names this process in what it claims; the rows of another one are its own while it lives. */
  readonly worker: WorkerIdentity;
  readonly stopsFirst: StopsFirst;
  readonly secrets: DestinationSecrets;
  /** Set where this life of the database follows one that may have sent what it knows nothing of. */
  readonly afterRecovery?: AfterRecovery;
  /** Called after the commit that changed a fact of a receipt. */
  readonly onReceiptChanged: (receiptId: string) => void;
  /** Evenly distributed in [0, 1). */
  readonly random: () => number;
  /** Replaces the endpoint of a destination; the default opens the configured one. */
  readonly openEndpoint?: (destination: Destination) => Endpoint;
}

/** What a life after a restore asks before it sends (rule 28). */
export interface AfterRecovery {
  /** True until a person resumed it: nothing but stops is built, so that what is built knows every read-back. */
  isRecovering(): Promise<boolean>;
  /**
   * Told of every delivery that was built and never sent; null when it may be sent. Otherwise what is to be
   * written in the transaction that saves its payload, behind the lock of its receipt.
   */
  recognise(built: DeliveryRow): Promise<Recognition | null>;
}

export type Recognition = (trx: Trx, saved: DeliveryRow) => Promise<void>;

/** Writes in a transaction and returns the receipts of which it changed a fact. */
export type Settlement = (trx: Trx) => Promise<readonly string[]>;

/** What the parts of delivery share: one database, one clock, one endpoint a destination. */
export class DeliveryParts {
  readonly options: DeliveryOptions;
  readonly busy: BusyClaims;
  readonly payloads: Payloads;
  private readonly endpoints: Map<string, Endpoint>;
  private readonly elapsedMs: () => number;

  /** @param shared with parts that differ in their database connections only */
  constructor(options: DeliveryOptions, shared: DeliveryParts | null = null) {
    this.options = options;
    this.busy = shared?.busy ?? new BusyClaims();
    this.payloads = shared?.payloads ?? new Payloads(options.database.db);
    this.endpoints = shared?.endpoints ?? new Map<string, Endpoint>();
    this.elapsedMs = shared?.elapsedMs ?? options.monotonicMillis ?? elapsedMillis();
  }

  /** The same over the connections that are kept for stops, where there are such. */
  reserved(): DeliveryParts {
    const { database } = this.options;
    if (database.reserved === undefined) return this;
    const { db, transact } = database.reserved;
    const kept = { db, transact, close: () => Promise.resolve() };
    return new DeliveryParts({ ...this.options, database: kept }, this);
  }

  destination(name: string): Destination {
    const found = this.options.site.destinations.find((d) => d.name === name);
    if (!found) throw new Misconfigured('site-folder-invalid', { found: `no destination ${name}` });
    return found;
  }

  endpoint(destination: Destination): Endpoint {
    const open = this.endpoints.get(destination.name);
    if (open !== undefined) return open;
    const make = this.options.openEndpoint ?? ((d) => openEndpoint(d, this.options.secrets));
    const endpoint = make(destination);
    this.endpoints.set(destination.name, endpoint);
    return endpoint;
  }

  /**
   * Claims in one transaction under this process's id; nothing while the others may think it dead. What was
   * taken counts as busy until its `busy.end`.
   */
  async take<T extends Claimed>(
    claim: (trx: Trx, worker: string) => Promise<readonly T[]>,
  ): Promise<readonly T[]> {
    const { database, worker } = this.options;
    const { id, mayStart } = worker;
    if (!mayStart) return [];
    return await this.busy.take(() => database.transact((trx) => claim(trx, id)));
  }

  /** What a claim that is made now begins at. */
  begins(): Began {
    // The counter first: a send ends by it, and is taken for over by the clock.
    const elapsedMs = this.elapsedMs();
    return { at: this.options.clock.now(), elapsedMs };
  }

  /** What is left of the deadline of what began then; nothing when it is zero or less. */
  msLeft({ elapsedMs }: Began, { timing }: Destination): number {
    return timing.deadlineMs - (this.elapsedMs() - elapsedMs);
  }

  /** Commits, then tells whom it concerns. */
  async settle(settlement: Settlement): Promise<void> {
    const receipts = await this.options.database.transact(settlement);
    for (const receiptId of receipts) this.options.onReceiptChanged(receiptId);
  }

  async close(): Promise<void> {
    for (const endpoint of this.endpoints.values()) await endpoint.close();
    this.endpoints.clear();
  }
}
