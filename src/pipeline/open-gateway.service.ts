import type { Logger } from 'pino';
import { openAccess } from '../access/open-access.service.js';
import { readSecret } from '../access/secrets.files.js';
import { CheckpointOutlet } from '../audit/checkpoint-outlet.service.js';
import { TrailSealer } from '../audit/sealer.service.js';
import { readTrailKey } from '../audit/trail-key.files.js';
import type { Settings } from '../config.js';
import { DashboardService } from '../dashboard/dashboard.service.js';
import { DeliveryService } from '../delivery/delivery.service.js';
import { JSON_DEPTH_MAX } from '../formats/strict-json.js';
import { IntakeService } from '../intake/intake.service.js';
import { ExpressionPool } from '../mapping/expression.pool.js';
import { MappingService } from '../mapping/mapping.service.js';
import { bellsOf, type WorkQueue } from '../queue/work-queue.js';
import { ReceiptsService } from '../receipts/receipts.service.js';
import { ReconciliationService } from '../reconciliation/reconciliation.service.js';
import { SigningService } from '../signatures/signing.service.js';
import type { LoadedSiteFolder } from '../site/site-folder.files.js';
import { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import type { WorkerIdentity } from '../storage/worker-identity.js';
import { activeMappings } from './active-mappings.js';
import { AssignedCauseService } from './assigned-cause.service.js';
import { BundlesService } from './bundles.service.js';
import { CurrentStatements } from './current-statements.service.js';
import { ExaminePool } from './examine.pool.js';
import { Gateway } from './gateway.service.js';
import { openInstance } from './instance.store.js';
import { openPair, type Pair } from './open-pair.service.js';
import { openSite } from './open-site.files.js';
import { ReceiptReviewService } from './receipt-review.service.js';
import { ResultMessages } from './result-messages.service.js';
import { ReviewService } from './review.service.js';
import { SettleBundleService } from './settle-bundle.service.js';
import { StopEscalationService } from './stop-escalation.service.js';
import { StopLiftService } from './stop-lift.service.js';
import { loadSubject } from './subject-loader.store.js';
import { UnreadableEvidence } from './unreadable-evidence.service.js';
import { WorkerService } from './worker.service.js';

export type EnvironmentVariables = Readonly<Record<string, string | undefined>>;

/** Threads for mapping expressions that are more than a path; they idle away when none runs. */
const EXPRESSION_THREADS = 1;

/**
 * What else a bundle brought is looked for so much later than its stop: every other worker would have something to
 * do for it at once, on the same processors, connections and disk.
 */
const STOP_AHEAD_MS = 30;

/** What the wiring stands on: opened before anything, closed after everything. */
interface Ground {
  readonly settings: Settings;
  readonly env: EnvironmentVariables;
  readonly log: Logger;
  readonly folder: LoadedSiteFolder;
  readonly pair: Pair;
  readonly clock: Clock;
  readonly database: OpenDatabase;
  readonly expressions: ExpressionPool;
  readonly examining: ExaminePool;
}

/**
 * Opens the pair of store and queue and wires the stages; nothing runs until the gateway is told to work.
 *
 * @throws Misconfigured when the site folder, a mapping, a secret, the store or the queue stands in the way.
 */
export async function openGateway(
  settings: Settings,
  env: EnvironmentVariables,
  log: Logger,
): Promise<Gateway> {
  const folder = await openSite(settings.siteFolderDirectory, env);
  requireSecrets(folder, env);
  const pair = await openPair(settings, log);
  const { database, clock } = pair;
  const expressions = new ExpressionPool({ threads: EXPRESSION_THREADS });
  const examining = new ExaminePool(folder.site, settings.poolThreads);
  try {
    return await wire({
      settings,
      env,
      log,
      folder,
      pair,
      clock,
      database,
      expressions,
      examining,
    });
  } catch (error) {
    await expressions.close();
    await examining.close();
    await database.close();
    throw error;
  }
}

/** A secret that is not there is found at the start, not at the first delivery. */
function requireSecrets(folder: LoadedSiteFolder, env: EnvironmentVariables): void {
  for (const { endpoint } of folder.site.destinations) {
    if (endpoint.kind === 'http' && endpoint.bearer) readSecret(endpoint.bearer, env);
  }
  const password = folder.site.escalation?.email.password;
  if (password !== undefined) readSecret(password, env);
}

async function wire(ground: Ground): Promise<Gateway> {
  const { settings, log, folder, clock, database, expressions, examining } = ground;
  const { site } = folder;
  const { id: instance, epoch } = await openInstance(database, folder, clock.now());
  const mapping = new MappingService(database, expressions, site.site);
  await mapping.activate({
    site,
    mappings: folder.mappingSources,
    proposedBy: { kind: 'system', name: 'start' },
    approvedBy: 'start of the service from the site folder',
    now: clock.now(),
  });
  const mappings = activeMappings(folder.mappingSources);
  const bells = bellsOf(site.destinations.map(({ name }) => name));
  const queue = await ground.pair.openQueue({ site: site.site, instance, bells });
  const worker = new WorkerService({ database, clock, log });
  const statements = new StatementsService(database, clock, { site, mappings, epoch });
  const unreadable = new UnreadableEvidence(site, statements);
  const messages = new ResultMessages(site, mappings, epoch);
  const ringOthers = () => {
    for (const { name } of site.destinations) queue.ring(`deliveries:${name}`);
    queue.ring('receipts');
  };
  const ringAll = () => {
    for (const { name } of site.destinations) queue.ringHere(`stops:${name}`);
    ringOthers();
  };
  const bundles = new BundlesService({
    database,
    clock,
    site,
    pool: examining,
    settling: new SettleBundleService(database, site, statements, messages),
    unreadable,
    worker,
    log,
    onSettled: ({ hasStop }) => {
      if (!hasStop) {
        ringOthers();
        return;
      }
      for (const { name } of site.destinations) queue.ringHere(`stops:${name}`);
      setTimeout(ringOthers, STOP_AHEAD_MS);
    },
  });
  const people = openAccess(database, clock, site);
  const signing = new SigningService(database, clock, people.accounts, site);
  const reviews = new ReviewService({
    database,
    clock,
    site,
    statements,
    messages,
    signing,
    onReviewed: ringAll,
  });
  const receiptReviews = new ReceiptReviewService({
    database,
    clock,
    site,
    statements,
    signing,
    onSigned: ringAll,
  });
  const stopLifts = new StopLiftService({
    database,
    clock,
    site,
    statements,
    signing,
    onLifted: ringAll,
  });
  const reconciliation = new ReconciliationService(database.db, clock, site);
  return new Gateway({
    settings,
    site,
    database,
    clock,
    log,
    queue,
    worker,
    sealer: openSealer(ground, worker),
    ...people,
    reviews,
    receiptReviews,
    stopLifts,
    causes: new AssignedCauseService({
      database,
      clock,
      site,
      statements,
      signing,
      onSigned: ringAll,
    }),
    escalations: new StopEscalationService({
      database,
      clock,
      site,
      log,
      secrets: (reference) => readSecret(reference, ground.env),
    }),
    intake: openIntake(ground, unreadable, queue),
    bundles,
    receipts: new ReceiptsService({
      site,
      evaluate: (trx, receiptId, now) => statements.evaluateInTransaction(trx, receiptId, now),
    }),
    statements,
    current: new CurrentStatements(statements, bundles, clock),
    deliveries: openDeliveries(ground, mapping, worker, () => queue.ring('receipts')),
    reconciliation,
    dashboard: new DashboardService(database.db, clock, site, reconciliation, statements),
    pools: [expressions, examining],
  });
}

/** @throws Misconfigured when the key is named and cannot be used: it is found at the start, not at a checkpoint. */
function openSealer(
  { settings, folder, database, clock, log }: Ground,
  worker: WorkerIdentity,
): TrailSealer {
  const { site, timeZone: zone } = folder.site;
  const { trail, dataDirectory } = settings;
  const keyOf = (path: string | null) => (path === null ? null : readTrailKey(path, dataDirectory));
  const outlet = new CheckpointOutlet(database, log, trail.checkpointFolder, site);
  return new TrailSealer(
    { database, clock, worker, log, outlet },
    {
      site,
      zone,
      key: keyOf(trail.keyFile),
      keyBefore: trail.keyBeforeFile === 'lost' ? 'lost' : keyOf(trail.keyBeforeFile),
      checkpointEveryMs: trail.checkpointEveryMs,
      checkpointEveryEntries: trail.checkpointEveryEntries,
    },
  );
}

function openIntake(
  { folder, database, clock }: Ground,
  unreadable: UnreadableEvidence,
  queue: WorkQueue,
): IntakeService {
  const { site } = folder;
  return new IntakeService(
    database,
    clock,
    {
      site: site.site,
      zone: site.timeZone,
      jsonLimits: { bytesMax: site.limits.bundleBytesMax, depthMax: JSON_DEPTH_MAX },
    },
    {
      onTaken: () => queue.ring('bundles'),
      onRefused: (trx, refused, locks) => unreadable.open(trx, locks, refused, clock.now()),
      afterRefused: () => {
        for (const { name } of site.destinations) queue.ringHere(`stops:${name}`);
      },
    },
  );
}

function openDeliveries(
  { folder, database, clock, env }: Ground,
  mapping: MappingService,
  worker: WorkerIdentity,
  onReceiptChanged: () => void,
): DeliveryService {
  return new DeliveryService({
    database,
    site: folder.site,
    clock,
    mapping,
    loadSubject,
    worker,
    secrets: (reference) => readSecret(reference, env),
    onReceiptChanged,
    random: Math.random,
  });
}
