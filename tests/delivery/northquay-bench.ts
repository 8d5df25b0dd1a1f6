import { maskOf } from '../../src/access/secret-mask.js';
import { DeliveryService } from '../../src/delivery/delivery.service.js';
import type { DeliveryMapping } from '../../src/delivery/delivery-mapping.js';
import { attemptsOf } from '../../src/delivery/delivery-report.store.js';
import type { Endpoint } from '../../src/delivery/endpoint.js';
import {
  type NewDelivery,
  resultKey,
  statementKey,
  stopKey,
} from '../../src/delivery/new-delivery.js';
import {
  cancelUnsentConforms,
  enqueueDelivery,
  supersedeWaitingStatements,
} from '../../src/delivery/outbox.store.js';
import { StopsFirst } from '../../src/delivery/stops-first.service.js';
import type { Sha256 } from '../../src/formats/canonical-json.js';
import { finishPayload } from '../../src/mapping/payload.js';
import type { PayloadTree } from '../../src/mapping/payload-tree.js';
import {
  sampleEscalation,
  samplePeriod,
  sampleResult,
  sampleStatement,
  sampleStop,
  sampleWithdrawal,
} from '../../src/mapping/sample-subjects.js';
import type { Subject } from '../../src/mapping/subjects.js';
import { registerWorker } from '../../src/pipeline/worker.store.js';
import { lockReceipts } from '../../src/receipts/facts.store.js';
import { emptyReceipt } from '../../src/receipts/receipt-rows.js';
import type { MappingDocument, MessageMapping } from '../../src/site/mapping-document.js';
import type { Destination, DestinationTiming, SiteFolder } from '../../src/site/site-folder.js';
import type { OpenDatabase, Trx } from '../../src/storage/database.js';
import type { DeliveryRow } from '../../src/storage/tables.js';
import type { WorkerIdentity } from '../../src/storage/worker-identity.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';

/** The deadline is real time (a socket waits for it); everything else runs on the test's clock. */
export const TIMING: DestinationTiming = {
  /** Real time, also on a machine that runs other tests beside: a quarter of it has to be left at the first byte. */
  deadlineMs: 500,
  processingMs: 400,
  settleMs: 500,
  absentAsks: 2,
  retryBaseMs: 200,
  retryMaxMs: 3000,
  attemptsMax: 12,
  inFlightMax: 8,
  ratePerSecond: 200,
};

export const SITE = 'northquay';
export const PERMIT = 'USE-PERMITTED';

export function siteFolder(destinations: readonly Destination[]): SiteFolder {
  return {
    site: SITE,
    title: 'Northquay (simulated)',
    environment: 'training',
    simulated: true,
    timeZone: 'Europe/London',
    areas: [],
    instruments: [],
    materials: [],
    methods: [],
    plans: [],
    decisions: [],
    sessions: { idleMs: 900_000, absoluteMs: 43_200_000 },
    limits: {
      bundleBytesMax: 33_554_432,
      resultsPerBundleMax: 5_000,
      spectrumPointsMax: 20_000,
      syncMarginMs: 1_000,
      statementValidMs: 600_000,
      futureToleranceMs: 120_000,
      clockSkewMs: 120_000,
    },
    destinations,
    secondPerson: { required: true },
    escalation: null,
    performance: null,
    digest: '0'.repeat(64) as Sha256,
  };
}

function messageMapping(isAskable: boolean): MessageMapping {
  return {
    request: { method: 'POST', path: 'messages' },
    fields: [],
    answer: { echo: [{ sent: '/reference', held: '/reference' }], reference: '/number' },
    readBack: isAskable
      ? {
          request: { method: 'GET', path: 'messages?reference={deliveryId}' },
          items: '/entries',
          compare: [
            { sent: '/reference', held: '/content/reference', as: 'exact' },
            { sent: '/usage', held: '/content/usage', as: 'exact' },
            { sent: '/score', held: '/content/score', as: 'decimal' },
          ],
          applied: { held: '/applied', value: 'true' },
          revision: null,
          absentStatus: null,
        }
      : null,
    contract: null,
  };
}

function mappingDocument(isAskable: boolean): MappingDocument {
  const message = messageMapping(isAskable);
  return {
    destination: 'lims',
    format: 'json',
    messages: { result: message, withdrawal: message, statement: message, stop: message },
    tables: {},
    permits: [{ at: '/usage', values: [PERMIT] }],
    list: null,
    describe: null,
  };
}

/** A mapping whose tree is written by hand; bytes, path and permit check are the project's own. */
class BenchMapping implements DeliveryMapping {
  /** Value of `/usage` by message, changed by a test that lets the mapping go wrong. */
  usage: (subject: Subject) => string = usageOf;
  /** Set to let the next builds fail. */
  failure: Error | null = null;

  constructor(readonly document: MappingDocument) {}

  forDigest(): Promise<{ readonly document: MappingDocument }> {
    return Promise.resolve({ document: this.document });
  }

  build(_digest: string, message: NewDelivery['message'], subject: Subject) {
    if (this.failure !== null) return Promise.reject(this.failure);
    const mapping = this.document.messages[message];
    if (mapping === undefined) throw new Error(`no ${message}`);
    const tree: PayloadTree = {
      reference: subject.reference,
      messageType: message,
      usage: this.usage(subject),
      score: '0.9700',
    };
    return Promise.resolve(finishPayload(this.document, mapping, subject, { tree, problems: [] }));
  }
}

function usageOf(subject: Subject): string {
  if (subject.message === 'stop') return 'BLOCK-CONTRARY';
  if (subject.message !== 'statement') return 'NONE';
  return subject.statement.outcome === 'conforms' ? PERMIT : 'AWAITING';
}

function subjectOf(row: DeliveryRow): Subject {
  const head = { reference: row.id, idempotencyKey: row.idempotency_key, build: row.build };
  switch (row.subject_kind) {
    case 'result':
      return { ...sampleResult(), ...head };
    case 'withdrawal':
      return { ...sampleWithdrawal(), ...head };
    case 'statement':
      return {
        ...sampleStatement({ outcome: row.barrier === 1 ? 'conforms' : 'incomplete' }),
        ...head,
      };
    case 'stop':
      return { ...sampleStop(), ...head };
    case 'stop-escalation':
      return { ...sampleEscalation(), ...head };
    case 'period':
      return { ...samplePeriod(), ...head };
  }
}

function stopIdOf(receiptId: string, revision: number): string {
  return `stop-${receiptId}-${revision}`;
}

export interface BenchOptions {
  readonly baseUrl: string;
  readonly honoursKey?: boolean;
  readonly keyLifetimeMs?: number;
  readonly askable?: boolean;
  readonly timing?: Partial<DestinationTiming>;
  readonly endpoint?: Endpoint;
  /** The counter by which a send's deadline runs; the machine's when left out. */
  readonly monotonicMillis?: () => number;
}

export class Bench {
  readonly clock = new ManualClock();
  readonly changed: string[] = [];
  readonly mapping: BenchMapping;
  readonly destination: Destination;
  secret = 'first-secret';
  service: DeliveryService;
  /** True while the disk is full: every write transaction of the service fails. */
  failsWrites = false;
  /** Waited for before each write transaction of the service, and after its commit. */
  beforeWrite: (() => Promise<unknown>) | null = null;
  afterWrite: (() => Promise<unknown>) | null = null;
  #workers = 0;

  private constructor(
    readonly database: OpenDatabase,
    readonly options: BenchOptions,
  ) {
    this.mapping = new BenchMapping(mappingDocument(options.askable ?? true));
    this.destination = {
      name: 'lims',
      title: 'LIMS (simulated)',
      endpoint: {
        kind: 'http',
        baseUrl: options.baseUrl,
        allow: ['127.0.0.0/8'],
        bearer: 'env:BENCH_TOKEN',
      },
      honoursKey: options.honoursKey ?? false,
      ...(options.keyLifetimeMs === undefined ? {} : { keyLifetimeMs: options.keyLifetimeMs }),
      acts: true,
      requiredForStatement: true,
      timing: { ...TIMING, ...options.timing },
    };
    this.service = this.#serviceOf({ id: 'nobody', mayStart: false });
  }

  static async open(options: BenchOptions): Promise<Bench> {
    const bench = new Bench(await temporaryDatabase(), options);
    bench.service = await bench.another();
    return bench;
  }

  /** A new process on the same database: nothing of the old one's memory is left, and it was found dead. */
  async restart(): Promise<void> {
    this.service.stopTaking();
    await this.declareDead();
    this.service = await this.another();
    await this.service.recover(this.clock.now());
  }

  /** Everybody who works here now is found dead by the others, whether it still works or not. */
  async declareDead(): Promise<void> {
    await this.database.db
      .updateTable('worker')
      .set({ stopped_at: this.clock.now() })
      .where('stopped_at', 'is', null)
      .execute();
  }

  /** One more process that works on the same database. */
  async another(more: { readonly mayStart?: boolean } = {}): Promise<DeliveryService> {
    this.#workers += 1;
    const id = `worker-${this.#workers}`;
    await this.database.transact((trx) => registerWorker(trx, id, this.clock.now()));
    const worker = { id, mayStart: true };
    return this.#serviceOf(Object.defineProperties(worker, Object.getOwnPropertyDescriptors(more)));
  }

  #serviceOf(worker: WorkerIdentity): DeliveryService {
    const { endpoint, monotonicMillis } = this.options;
    const { database } = this;
    return new DeliveryService({
      database: {
        ...this.#failing(database),
        close: () => database.close(),
        ...(database.reserved && { reserved: this.#failing(database.reserved) }),
      },
      site: siteFolder([this.destination]),
      clock: this.clock,
      mapping: this.mapping,
      loadSubject: (_reader, row) => Promise.resolve(subjectOf(row)),
      worker,
      stopsFirst: new StopsFirst(),
      secrets: {
        bearer: () => this.secret,
        refused: () => undefined,
        mask: (text) => maskOf([this.secret])(text),
      },
      onReceiptChanged: (receiptId) => this.changed.push(receiptId),
      random: () => 0,
      ...(endpoint === undefined ? {} : { openEndpoint: () => endpoint }),
      ...(monotonicMillis === undefined ? {} : { monotonicMillis }),
    });
  }

  #failing({ db, transact }: Pick<OpenDatabase, 'db' | 'transact'>) {
    return {
      db,
      transact: async <T>(work: (trx: Trx) => Promise<T>): Promise<T> => {
        if (this.failsWrites) throw new Error('SQLITE_FULL (simulated)');
        await this.beforeWrite?.();
        const answer = await transact(work);
        await this.afterWrite?.();
        return answer;
      },
    };
  }

  async enqueue(more: Partial<NewDelivery> & Pick<NewDelivery, 'subjectId'>): Promise<string> {
    return await this.database.transact((trx) =>
      enqueueDelivery(trx, {
        site: SITE,
        subjectKind: 'result',
        subjectRevision: 1,
        receiptId: 'R-1',
        destination: 'lims',
        message: 'result',
        orderingKey: resultKey(more.subjectId),
        isConforms: false,
        isContrary: false,
        mappingDigest: 'm1',
        epoch: 1,
        now: this.clock.now(),
        ...more,
      }),
    );
  }

  async announce(receiptId = 'R-1'): Promise<void> {
    await this.database.db
      .insertInto('receipt')
      .values({
        ...emptyReceipt(SITE, receiptId, receiptId),
        announced: 1,
        revision: 1,
        facts_version: 1,
      })
      .execute();
  }

  /** A statement revision with its delivery, as the statement stage writes them. */
  async state(
    revision: number,
    outcome: 'conforms' | 'incomplete',
    receiptId = 'R-1',
    beforeCommit: () => Promise<void> = () => Promise.resolve(),
  ) {
    const now = this.clock.now();
    return await this.database.transact(async (trx) => {
      await lockReceipts(trx, SITE, [receiptId]);
      await this.insertStatement(trx, receiptId, revision, outcome);
      await supersedeWaitingStatements(trx, {
        site: SITE,
        receiptId,
        belowRevision: revision,
        now,
      });
      const id = await this.enqueueStatement(trx, revision, outcome === 'conforms', receiptId);
      await beforeCommit();
      return id;
    });
  }

  enqueueStatement(
    trx: Trx,
    revision: number,
    isConforms: boolean,
    receiptId = 'R-1',
  ): Promise<string> {
    return enqueueDelivery(trx, {
      site: SITE,
      subjectKind: 'statement',
      subjectId: receiptId,
      subjectRevision: revision,
      receiptId,
      destination: 'lims',
      message: 'statement',
      orderingKey: statementKey(receiptId),
      isConforms,
      isContrary: !isConforms,
      mappingDigest: 'm1',
      epoch: 1,
      now: this.clock.now(),
    });
  }

  /** A stop in one transaction: statement revision, stop row, taken-back conforms, delivery. */
  async stop(
    revision: number,
    receiptId = 'R-1',
    beforeCommit: () => Promise<void> = () => Promise.resolve(),
  ): Promise<string> {
    const now = this.clock.now();
    return await this.database.transact(async (trx) => {
      await lockReceipts(trx, SITE, [receiptId]);
      await this.insertStatement(trx, receiptId, revision, 'does-not-conform');
      await this.insertStop(trx, receiptId, revision);
      await cancelUnsentConforms(trx, SITE, receiptId, `stop of revision ${revision}`, now);
      const id = await enqueueDelivery(trx, {
        site: SITE,
        subjectKind: 'stop',
        subjectId: stopIdOf(receiptId, revision),
        subjectRevision: revision,
        receiptId,
        destination: 'lims',
        message: 'stop',
        orderingKey: stopKey(receiptId),
        isConforms: false,
        isContrary: true,
        mappingDigest: 'm1',
        epoch: 1,
        now,
      });
      await beforeCommit();
      return id;
    });
  }

  async insertStop(trx: Trx, receiptId: string, revision: number): Promise<void> {
    await trx
      .insertInto('stop')
      .values({
        id: stopIdOf(receiptId, revision),
        site: SITE,
        receipt_id: receiptId,
        kind: 'withdraw',
        statement_revision: revision,
        reason: 'a container failed',
        issued_at: this.clock.now(),
        effective_at: null,
      })
      .execute();
  }

  async insertStatement(
    trx: Trx,
    receiptId: string,
    revision: number,
    outcome: string,
  ): Promise<void> {
    await trx
      .insertInto('statement')
      .values({
        site: SITE,
        receipt_id: receiptId,
        revision,
        outcome,
        document: '{}',
        digest: '0'.repeat(64),
        facts_version: 1,
        evaluated_at: this.clock.now(),
      })
      .execute();
  }

  /** Works and moves the clock to what is due next, until nothing more is, at most `rounds` times. */
  async settle(rounds = 40): Promise<void> {
    for (let round = 0; round < rounds; round += 1) {
      const stops = await this.service.workStops('lims');
      const others = await this.service.workOnce('lims');
      const due = [stops.nextDueAt, others.nextDueAt].filter((at) => at !== null);
      if (due.length === 0) return;
      const waitMs = (Math.min(...due) - this.clock.now()) / 1000;
      this.clock.advance(Math.max(1, waitMs));
    }
  }

  async row(id: string): Promise<DeliveryRow> {
    return await this.database.db
      .selectFrom('delivery')
      .selectAll()
      .where('id', '=', id)
      .executeTakeFirstOrThrow();
  }

  async attempts(id: string) {
    return await attemptsOf(this.database.db, id);
  }

  /** Kind and outcome of every attempt, in order. */
  async history(id: string): Promise<string[]> {
    return (await this.attempts(id)).map((a) => `${a.kind} ${a.outcome ?? 'open'}`);
  }
}
