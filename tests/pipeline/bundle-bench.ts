import { pino } from 'pino';
import type { BundleParts } from '../../src/checks/assemble-bundle.js';
import { assembleBundle } from '../../src/checks/assemble-bundle.js';
import { StopsFirst } from '../../src/delivery/stops-first.service.js';
import { loadRawBytes } from '../../src/intake/bundles.store.js';
import { IntakeService } from '../../src/intake/intake.service.js';
import { BundlesService } from '../../src/pipeline/bundles.service.js';
import { UnitDied } from '../../src/pipeline/examine.pool.js';
import { examineUnit } from '../../src/pipeline/examine-unit.js';
import type { ExaminedUnit, ExamineTask } from '../../src/pipeline/examined-unit.js';
import { ResultMessages } from '../../src/pipeline/result-messages.service.js';
import { SecondLook } from '../../src/pipeline/second-look.service.js';
import { SettleBundleService, type Settlement } from '../../src/pipeline/settle-bundle.service.js';
import { UnreadableEvidence } from '../../src/pipeline/unreadable-evidence.service.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import type { ActiveMapping } from '../../src/statements/statement-messages.js';
import { StatementsService } from '../../src/statements/statements.service.js';
import type { OpenDatabase } from '../../src/storage/database.js';
import { NOW, SITE, validateSchema } from '../checks/fixture.js';
import { ManualClock, temporaryDatabase } from '../support/temp-database.js';

export type Examine = (task: ExamineTask, site?: SiteFolder) => Promise<ExaminedUnit>;

/** Intake, examination and settling over one database, without threads, HTTP or destinations. */
export class BundleBench {
  readonly clock = new ManualClock(NOW);
  readonly statements: StatementsService;
  readonly unreadable: UnreadableEvidence;
  readonly intake: IntakeService;

  private constructor(
    readonly database: OpenDatabase,
    readonly site: SiteFolder,
    readonly mappings: ReadonlyMap<string, ActiveMapping> = new Map(),
  ) {
    this.statements = new StatementsService(database, this.clock, { site, mappings, epoch: 1 });
    this.unreadable = new UnreadableEvidence(site, this.statements);
    this.intake = new IntakeService(
      database,
      this.clock,
      {
        site: site.site,
        zone: site.timeZone,
        jsonLimits: { bytesMax: site.limits.bundleBytesMax, depthMax: 64 },
      },
      {
        onTaken: () => undefined,
        onRefused: (trx, refused, locks) =>
          this.unreadable.open(trx, locks, refused, this.clock.now()),
      },
    );
  }

  static async open(
    site: SiteFolder = SITE,
    mappings?: ReadonlyMap<string, ActiveMapping>,
  ): Promise<BundleBench> {
    return new BundleBench(await temporaryDatabase(), site, mappings);
  }

  /** The same over databases that are one, each as another process has it. */
  static over(databases: readonly OpenDatabase[], site: SiteFolder = SITE): BundleBench[] {
    return databases.map((database) => new BundleBench(database, site));
  }

  /** While a suspect is examined, which the gateway does in a process of its own. */
  isApart = false;

  /** A process's worth of work, with a pool that examines as told. */
  process(
    examine: Examine,
    workerId = 'worker-1',
    onSettled: (settlement: Settlement) => void = () => undefined,
    secondLook: Pick<SecondLook, 'round'> = this.secondLook(),
  ) {
    const { database, clock, site, unreadable } = this;
    const messages = new ResultMessages(site, this.mappings, 1);
    return new BundlesService({
      database,
      clock,
      site,
      pool: { examine },
      child: {
        examine: async (task, site) => {
          this.isApart = true;
          return await examine(task, site).finally(() => {
            this.isApart = false;
          });
        },
      },
      loadBytes: (sha256) => loadRawBytes(database.db, sha256),
      settling: new SettleBundleService(database, site, this.statements, messages),
      unreadable,
      secondLook,
      worker: { id: workerId, mayStart: true },
      stopsFirst: new StopsFirst(),
      log: pino({ level: 'silent' }),
      onSettled,
    });
  }

  secondLook(): SecondLook {
    const { database, clock, site, statements } = this;
    const messages = new ResultMessages(site, this.mappings, 1);
    return new SecondLook({ database, clock, site, statements, messages });
  }

  /** What a thread of the pool does, in this one. */
  readonly examine = (task: ExamineTask, site: SiteFolder = this.site): Promise<ExaminedUnit> =>
    Promise.resolve(examineUnit(task, site, validateSchema));

  /** The same, dying on bundles that hold a text. */
  dyingOn(text: string, seen: string[] = []): Examine {
    return async (task, site) => {
      const unit = await this.examine(task, site);
      const bundleId = unit.kind === 'readable' ? unit.examination.header.bundleId : '';
      seen.push(bundleId);
      if (Buffer.from(task.bytes).includes(text)) throw new UnitDied(new Error('out of memory'));
      return unit;
    };
  }

  /** Takes a bundle in, a millisecond after the one before; returns its intake id. */
  async take(parts: BundleParts | Uint8Array): Promise<string> {
    this.clock.advance(1);
    const answer = await this.intake.take({
      bytes: parts instanceof Uint8Array ? parts : assembleBundle(parts).bytes,
      source: { kind: 'http', name: 'key-1' },
      fileName: null,
      actor: { kind: 'key', name: 'key-1' },
      idempotencyKey: null,
    });
    if (answer.kind === 'key-reused') throw new Error('no key was sent');
    return answer.intakeId;
  }

  /** Takes and settles a bundle; returns its intake id. */
  async settle(parts: BundleParts | Uint8Array): Promise<string> {
    const id = await this.take(parts);
    await this.workAll(this.process(this.examine));
    return id;
  }

  async workAll(process: BundlesService): Promise<void> {
    for (let round = 0; round < 50; round += 1) if (!(await process.workOnce())) return;
    throw new Error('the work has no end');
  }

  bundle(id: string) {
    return this.database.db
      .selectFrom('bundle')
      .selectAll()
      .where('id', '=', id)
      .executeTakeFirstOrThrow();
  }

  async codesOf(id: string): Promise<string[]> {
    const rows = await this.database.db
      .selectFrom('finding')
      .select(['code', 'pointer'])
      .where('bundle_row_id', '=', id)
      .orderBy('id')
      .execute();
    return rows.map((row) => `${row.code} ${row.pointer}`);
  }

  discrepancies() {
    return this.database.db
      .selectFrom('discrepancy')
      .select(['class', 'subject', 'scope', 'closed_at', 'closing_evidence', 'receipt_id'])
      .orderBy('id')
      .execute();
  }
}
