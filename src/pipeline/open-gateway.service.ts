import type { Logger } from 'pino';
import { openAccess } from '../access/open-access.service.js';
import { Secrets } from '../access/secrets.files.js';
import { comparingWith, latestLifeOutside } from '../audit/checkpoint-folder.files.js';
import { CheckpointOutlet } from '../audit/checkpoint-outlet.service.js';
import { type SealerOptions, TrailSealer } from '../audit/sealer.service.js';
import { readTrailKey } from '../audit/trail-key.files.js';
import type { Settings } from '../config.js';
import { DashboardService } from '../dashboard/dashboard.service.js';
import { DeliveryService } from '../delivery/delivery.service.js';
import { DeliveryActs } from '../delivery/delivery-acts.service.js';
import type { AfterRecovery } from '../delivery/delivery-parts.service.js';
import { DestinationControl } from '../delivery/destination-control.service.js';
import { StopsFirst } from '../delivery/stops-first.service.js';
import { JSON_DEPTH_MAX, type JsonLimits } from '../formats/strict-json.js';
import { IntakeService } from '../intake/intake.service.js';
import { LargeDocumentsPool } from '../intake/large-documents.pool.js';
import { InboundMappings } from '../mapping/inbound-mappings.service.js';
import { MappingService } from '../mapping/mapping.service.js';
import { isFolderInForce, siteInForce } from '../methods/method-registry.store.js';
import { bellsOf, ringDestinations, type WorkQueue } from '../queue/work-queue.js';
import { ReceiptChangesService } from '../receipts/receipt-changes.service.js';
import { ReceiptRequestsService } from '../receipts/receipt-requests.service.js';
import { ReceiptsService, type ReceiptsSettings } from '../receipts/receipts.service.js';
import { Adoption } from '../reconciliation/adoption.service.js';
import { ComparisonService } from '../reconciliation/comparison.service.js';
import { DestinationWatch } from '../reconciliation/destination-watch.service.js';
import { DiscrepanciesService } from '../reconciliation/discrepancies.service.js';
import { isRecognisable } from '../reconciliation/recognisable.js';
import { RecomputeService } from '../reconciliation/recompute.service.js';
import { ReconciliationService } from '../reconciliation/reconciliation.service.js';
import { SweepService } from '../reconciliation/sweep.service.js';
import { SweepFindings } from '../reconciliation/sweep-findings.service.js';
import { SweepRequests } from '../reconciliation/sweep-requests.service.js';
import { SigningService } from '../signatures/signing.service.js';
import type { LoadedSiteFolder } from '../site/site-folder.files.js';
import type { SiteFolder } from '../site/site-folder.js';
import { StatementsService } from '../statements/statements.service.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import type { WorkerIdentity } from '../storage/worker-identity.js';
import { activeMappings } from './active-mappings.js';
import { AssignedCauseService } from './assigned-cause.service.js';
import { AttributionService } from './attribution.service.js';
import { AttributionWatch } from './attribution-watch.service.js';
import { BundleReviewService } from './bundle-review.service.js';
import { BundlesService } from './bundles.service.js';
import { ContainerRejectionService } from './container-rejection.service.js';
import { CurrentStatements } from './current-statements.service.js';
import { ExamineChild } from './examine-child.endpoint.js';
import { Gateway } from './gateway.service.js';
import { type GatewayPools, openPools } from './gateway-pools.pool.js';
import { InboundService } from './inbound.service.js';
import { InspectionsService } from './inspections.service.js';
import { enterInstance, openInstance, readInstance } from './instance.store.js';
import { InstanceActs } from './instance-acts.service.js';
import { readMark, writeMark } from './instance-mark.files.js';
import { InstrumentPerformance } from './instrument-performance.service.js';
import { LabelReviewService } from './label-review.service.js';
import { LostStopsService } from './lost-stops.service.js';
import { MethodsService } from './methods.service.js';
import { MissingDeliveries } from './missing-deliveries.service.js';
import { openPair, type Pair } from './open-pair.service.js';
import { openSite } from './open-site.files.js';
import { OriginReviewService } from './origin-review.service.js';
import { PerformanceCauseService } from './performance-cause.service.js';
import { PeriodMessages } from './period-messages.service.js';
import { PeriodViews } from './period-views.service.js';
import { PeriodsService } from './periods.service.js';
import { ReceiptReviewService } from './receipt-review.service.js';
import type { InstanceMark } from './recognise-copy.js';
import { RecoveryService } from './recovery.service.js';
import { ResultMessages } from './result-messages.service.js';
import { ReviewService } from './review.service.js';
import { SecondLook } from './second-look.service.js';
import { SettleBundleService } from './settle-bundle.service.js';
import { SiteDecisionsService } from './site-decisions.service.js';
import { StopEscalationService } from './stop-escalation.service.js';
import { StopLiftService } from './stop-lift.service.js';
import { loadSubject } from './subject-loader.store.js';
import { TraceService } from './trace.service.js';
import { TrailReviewService } from './trail-review.service.js';
import { openUnowned, UnreadableEvidence } from './unreadable-evidence.service.js';
import { WorkerService } from './worker.service.js';

export type EnvironmentVariables = Readonly<Record<string, string | undefined>>;

/**
 * What else a bundle brought is looked for so much later than its stop: every other worker would have something to
 * do for it at once, on the same processors, connections and disk.
 */
const STOP_AHEAD_MS = 30;

/** What the wiring stands on: opened before anything, closed after everything. */
interface Ground {
  readonly settings: Settings;
  readonly secrets: Secrets;
  readonly log: Logger;
  readonly folder: LoadedSiteFolder;
  readonly pair: Pair;
  readonly clock: Clock;
  readonly database: OpenDatabase;
  readonly pools: GatewayPools;
  /** What ends with the gateway. */
  readonly ownPools: readonly { close(): Promise<void> }[];
  readonly child: ExamineChild;
  readonly large: LargeDocumentsPool;
  readonly trailKeys: TrailKeys;
  readonly activates: boolean;
}

export interface OpenGatewayOptions {
  /** Pools that outlive it; it opens its own where there are none. */
  readonly pools?: GatewayPools | undefined;
  /**
   * False for a command: it migrates no server, puts no folder in force and begins no life, and is refused where that is
   * due. On a database that nothing was ever started on it is the first start all the same.
   */
  readonly activates: boolean;
}

type TrailKeys = Pick<SealerOptions, 'key' | 'keyBefore'>;

/**
 * Opens the pair of store and queue and wires the stages; nothing runs until the gateway is told to work.
 *
 * @throws Misconfigured when the site folder, a mapping, a secret, the store or the queue stands in the way.
 */
export async function openGateway(
  settings: Settings,
  env: EnvironmentVariables,
  log: Logger,
  secrets: Secrets,
  { pools: lent, activates }: OpenGatewayOptions,
): Promise<Gateway> {
  const folder = await openSite(settings.siteFolderDirectory, env);
  requireSecrets(folder, secrets);
  const trailKeys = readTrailKeys(settings);
  const pair = await openPair(settings, log, activates);
  const { database, clock } = pair;
  const pools = lent ?? openPools(settings.poolThreads);
  const child = new ExamineChild();
  const large = new LargeDocumentsPool({ database, limits: jsonLimits(folder.site) });
  const ownPools = [
    ...(lent === undefined ? [pools.expressions, pools.examining] : []),
    child,
    large,
  ];
  const queues: WorkQueue[] = [];
  const openQueue: Pair['openQueue'] = async (owner) => {
    const queue = await pair.openQueue(owner);
    queues.push(queue);
    return queue;
  };
  try {
    return await wire({
      settings,
      secrets,
      log,
      folder,
      pair: { ...pair, openQueue },
      clock,
      database,
      pools,
      ownPools,
      child,
      large,
      trailKeys,
      activates,
    });
  } catch (error) {
    // Whatever stays open keeps a process that neither works nor ends, and nobody starts that anew.
    await Promise.allSettled(queues.map((queue) => queue.drain()));
    await Promise.allSettled(ownPools.map((pool) => pool.close()));
    await database.close();
    throw error;
  }
}

/** A secret that is not there is found at the start, not at the first delivery. */
function requireSecrets(folder: LoadedSiteFolder, secrets: Secrets): void {
  for (const { endpoint } of folder.site.destinations) {
    if (endpoint.kind === 'http' && endpoint.bearer) secrets.bearer(endpoint.bearer);
  }
  const password = folder.site.escalation?.email?.password;
  if (password !== undefined) secrets.password(password);
}

async function wire(ground: Ground): Promise<Gateway> {
  const { settings, log, folder, clock, database, child, large, activates } = ground;
  const { examining, expressions } = ground.pools;
  const { site } = folder;
  const mark = readMark(settings.dataDirectory);
  const where = {
    place: ground.pair.place,
    mark,
    isOneFile: settings.databaseUrl === null,
    epochOutside: latestLifeOutside(settings.trail.checkpointFolder, site.site),
  };
  const mapping = new MappingService(database, expressions, site.site);
  const inboundMappings = new InboundMappings(database, expressions, site);
  // Before the folder is activated: by one that nobody can start with every other process would stop working.
  await mapping.requireSound(folder.mappingSources);
  inboundMappings.requireSound(folder.inboundSources);
  const startedAt = clock.now();
  const activation = {
    site,
    proposedBy: { kind: 'system', name: 'start' },
    approvedBy: 'start of the service from the site folder',
    now: startedAt,
  } as const;
  const putMappingsInForce = async (trx: Trx) => {
    await mapping.putInForce(trx, { ...activation, mappings: folder.mappingSources });
    await inboundMappings.putInForce(trx, { ...activation, sources: folder.inboundSources });
  };
  const begin = [database, folder, where, startedAt, putMappingsInForce] as const;
  const { row: atStart, isStart } = activates
    ? { row: await openInstance(...begin), isStart: true }
    : await enterInstance(...begin);
  await mapping.prepare(folder.mappingSources);
  const { id: instance, epoch, created_at: since } = atStart;
  // Methods that cannot be read are found at the start, not at the first bundle.
  await siteInForce(database.db, site);
  examining.prepare();
  let seen: InstanceMark = { instance, epoch, tick: atStart.tick };
  // The folder of a command may be used with several servers, and the next one must not be taken for an older state.
  const remember = () => {
    if (isStart || where.isOneFile) writeMark(settings.dataDirectory, seen);
  };
  remember();
  const worker = new WorkerService({
    database,
    clock,
    log,
    isSameLife: async () => {
      if ((await ground.pair.readPlace()) !== ground.pair.place) return false;
      const { id, epoch: epochNow, tick, place } = await readInstance(database.db);
      const isSame = id === instance && epochNow === epoch && place === atStart.place;
      // A backup that was put back into the same database counts on from where it was made.
      if (!isSame || tick < seen.tick) return false;
      seen = { instance, epoch, tick };
      return true;
    },
    isFolderInForce: () => isFolderInForce(database.db, site),
  });
  const recovery = new RecoveryService({
    database,
    clock,
    site,
    atStart,
    isOutlived: () => worker.isOutlived,
    onResumed: () => ringEvery(),
  });
  const mappings = activeMappings(folder.mappingSources);
  const bells = bellsOf(site.destinations.map(({ name }) => name));
  const queue = await ground.pair.openQueue({ site: site.site, instance, bells });
  const ringEvery = () => {
    for (const bell of bells) queue.ring(bell);
  };
  const stopsFirst = new StopsFirst();
  const statements = new StatementsService(database, clock, {
    site,
    mappings,
    epoch,
    onPulledNews: () => ringAll(),
  });
  const unreadable = new UnreadableEvidence(site, statements);
  const messages = new ResultMessages(site, mappings, epoch);
  const ringOthers = () => {
    for (const { name } of site.destinations) queue.ring(`deliveries:${name}`);
    queue.ring('receipts');
  };
  const ringAll = () => {
    ringDestinations(queue, site.destinations);
    queue.ring('receipts');
  };
  const bundles = new BundlesService({
    database,
    clock,
    site,
    pool: examining,
    child,
    loadBytes: (sha256) => large.load(sha256),
    settling: new SettleBundleService(database, site, statements, messages),
    unreadable,
    secondLook: new SecondLook({ database, clock, site, statements, messages }),
    worker,
    stopsFirst,
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
  const deliveries: DeliveryService = openDeliveries(ground, mapping, worker, {
    stopsFirst,
    onReceiptChanged: () => queue.ring('receipts'),
    afterRecovery:
      atStart.facts_until === null
        ? null
        : {
            isRecovering: () => recovery.isRecovering(),
            recognise: (built) => adoption.recognise(built),
          },
  });
  const adoption = new Adoption({
    database,
    clock,
    site,
    looking: deliveries.looking,
    canRecognise: (name, kind) => isRecognisable(documents.get(name)?.list ?? null, kind),
    recoveringSince: atStart.recovering_since ?? since,
  });
  const documents = new Map(
    [...folder.mappingSources.values()].map((source) => [source.destination, source.document]),
  );
  const sweeps: SweepService = new SweepService({
    database,
    clock,
    site,
    worker,
    looking: deliveries.looking,
    documents,
    findings: new SweepFindings(database, clock, site, {
      evaluate: (trx, receiptId, now) => statements.evaluateInTransaction(trx, receiptId, now),
      openUnowned: (discrepancy, before) =>
        openUnowned(database, clock, site.timeZone, statements, discrepancy, before),
      // A finding may have stopped its receipt.
      onChanged: ringAll,
    }),
    since,
  });
  const watch = new DestinationWatch({
    database,
    clock,
    site,
    looking: deliveries.looking,
    documents,
    onChanged: ringEvery,
  });
  // A command looks at no destination, and by asking for a look it would hold up what others send there.
  if (isStart) await watch.begin();
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
  const receiptSettings: ReceiptsSettings = {
    site,
    evaluate: (trx, receiptId, now) => statements.evaluateInTransaction(trx, receiptId, now),
  };
  const receipts = new ReceiptsService(receiptSettings);
  const changes = new ReceiptChangesService(receiptSettings, receipts);
  const names = site.destinations.map(({ name }) => name);
  const withoutWithdrawal = messages.withoutWithdrawal(names);
  const comparison = new ComparisonService(database, clock, site, undefined, withoutWithdrawal);
  const discrepancies = new DiscrepanciesService(database, clock, site);
  const reconciliation = new ReconciliationService(database.db, clock, site, comparison);
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
  return new Gateway({
    settings,
    site,
    database,
    clock,
    log,
    queue,
    worker,
    remember,
    stopsFirst,
    sealer: openSealer(ground, worker),
    ...people,
    reviews,
    originReviews: new OriginReviewService({
      database,
      clock,
      site,
      signing,
      onSigned: () => queue.ring('receipts'),
    }),
    inspections: new InspectionsService({
      database,
      clock,
      site,
      statements,
      signing,
      onReported: ringAll,
    }),
    labelReviews: new LabelReviewService({
      database,
      clock,
      site,
      signing,
      onVerified: () => queue.ring('receipts'),
    }),
    receiptReviews,
    stopLifts,
    lostStops: new LostStopsService({
      database,
      clock,
      site,
      statements,
      signing,
      onAcknowledged: ringAll,
    }),
    methods: new MethodsService({
      database,
      clock,
      site,
      statements,
      signing,
      onSigned: ringAll,
    }),
    siteDecisions: new SiteDecisionsService({
      database,
      clock,
      site,
      signing,
      onSigned: () => queue.ring('receipts'),
    }),
    bundleReviews: new BundleReviewService({
      database,
      clock,
      site,
      statements,
      signing,
      onReviewed: ringAll,
    }),
    causes: new AssignedCauseService({
      database,
      clock,
      site,
      statements,
      signing,
      onSigned: ringAll,
    }),
    performanceCauses: new PerformanceCauseService({
      database,
      clock,
      site,
      statements,
      signing,
      onSigned: ringAll,
    }),
    attributions: new AttributionService({
      database,
      clock,
      site,
      statements,
      messages,
      signing,
      onChanged: ringAll,
    }),
    attributionWatch: new AttributionWatch(database, clock, site, statements),
    rejections: new ContainerRejectionService({
      database,
      clock,
      site,
      statements,
      signing,
      onSigned: ringAll,
    }),
    performance: new InstrumentPerformance(database, site),
    trailReviews: new TrailReviewService({
      database,
      clock,
      site,
      signing,
      comparing: () => comparingWith(settings.trail.checkpointFolder),
    }),
    escalations: new StopEscalationService({
      database,
      clock,
      site,
      log,
      secrets: (reference) => ground.secrets.password(reference),
      mappings,
      epoch,
      onEnqueued: (name) => queue.ring(`deliveries:${name}`),
    }),
    intake: openIntake(ground, unreadable, {
      onTaken: () => queue.ring('bundles'),
      // More receipts than are stopped at once are only marked.
      afterRefused: ringAll,
    }),
    bundles,
    receipts,
    receiptRequests: new ReceiptRequestsService(database, clock, site.site, receipts, changes),
    inbound: new InboundService({
      database,
      clock,
      site,
      mappings: inboundMappings,
      receipts,
      changes,
    }),
    statements,
    current: new CurrentStatements(statements, bundles, recovery, async () => {
      const acting = new Set(site.destinations.filter((d) => d.acts).map((d) => d.name));
      return (await watch.list()).some(
        (w) => acting.has(w.destination) && (w.hold !== null || w.difference !== null),
      );
    }),
    deliveries,
    watch,
    recovery,
    instanceActs: new InstanceActs(database, clock, site, recovery, sweeps, instance),
    sweeps,
    sweepRequests: new SweepRequests(database, site.site, sweeps, (name) =>
      queue.ring(`sweeps:${name}`),
    ),
    deliveryActs: new DeliveryActs({
      database,
      clock,
      site,
      mappings,
      mapping,
      epoch,
      epochSince: atStart.recovering_since ?? since,
      onMoved: (name) => {
        queue.ringHere(`stops:${name}`);
        queue.ring(`deliveries:${name}`);
        queue.ring('receipts');
      },
    }),
    missingDeliveries: new MissingDeliveries({
      database,
      clock,
      site,
      messages,
      onPlanned: (names) => {
        for (const name of names) queue.ring(`deliveries:${name}`);
        queue.ring('receipts');
      },
    }),
    destinations: new DestinationControl(database, clock, site, (name) =>
      queue.ring(`deliveries:${name}`),
    ),
    comparison,
    discrepancies,
    periods: new PeriodsService({
      database,
      clock,
      site,
      comparison,
      signing,
      messages: new PeriodMessages(site.site, mappings, epoch),
      onClosed: ringOthers,
    }),
    periodViews: new PeriodViews(database, clock, site),
    tracing: new TraceService(database, site.site),
    reconciliation,
    recomputation: new RecomputeService(database, clock, site, comparison),
    dashboard: new DashboardService(
      database.db,
      clock,
      site,
      reconciliation,
      statements,
      discrepancies,
    ),
    pools: ground.ownPools,
  });
}

/** @throws Misconfigured when a key is named and cannot be used: found at the start, not at a checkpoint */
function readTrailKeys({ trail, dataDirectory }: Settings): TrailKeys {
  const keyOf = (path: string | null) => (path === null ? null : readTrailKey(path, dataDirectory));
  const { keyFile, keyBeforeFile } = trail;
  return {
    key: keyOf(keyFile),
    keyBefore: keyBeforeFile === 'lost' ? 'lost' : keyOf(keyBeforeFile),
  };
}

function openSealer(
  { settings, folder, database, clock, log, trailKeys }: Ground,
  worker: WorkerIdentity,
): TrailSealer {
  const { site, timeZone: zone } = folder.site;
  const { checkpointFolder, checkpointEveryMs, checkpointEveryEntries } = settings.trail;
  const outlet = new CheckpointOutlet(database, log, checkpointFolder, site);
  return new TrailSealer(
    { database, clock, worker, log, outlet },
    { site, zone, ...trailKeys, checkpointEveryMs, checkpointEveryEntries },
  );
}

function openIntake(
  { folder, database, clock, large }: Ground,
  unreadable: UnreadableEvidence,
  rings: { readonly onTaken: () => void; readonly afterRefused: () => void },
): IntakeService {
  const { site } = folder;
  return new IntakeService(
    database,
    clock,
    {
      site: site.site,
      zone: site.timeZone,
      jsonLimits: jsonLimits(site),
    },
    {
      ...rings,
      onRefused: (trx, refused, locks) => unreadable.open(trx, locks, refused, clock.now()),
    },
    large,
  );
}

function jsonLimits({ limits }: SiteFolder): JsonLimits {
  return { bytesMax: limits.bundleBytesMax, depthMax: JSON_DEPTH_MAX };
}

function openDeliveries(
  { folder, database, clock, secrets }: Ground,
  mapping: MappingService,
  worker: WorkerIdentity,
  ports: {
    readonly stopsFirst: StopsFirst;
    readonly onReceiptChanged: () => void;
    readonly afterRecovery: AfterRecovery | null;
  },
): DeliveryService {
  return new DeliveryService({
    database,
    site: folder.site,
    clock,
    mapping,
    loadSubject,
    worker,
    stopsFirst: ports.stopsFirst,
    secrets,
    onReceiptChanged: ports.onReceiptChanged,
    ...(ports.afterRecovery === null ? {} : { afterRecovery: ports.afterRecovery }),
    random: Math.random,
  });
}
