import type { Sha256 } from '../../src/formats/canonical-json.js';
import type { Decimal } from '../../src/formats/decimal.js';
import { type Instant, parseTimestamp } from '../../src/formats/instant.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import type {
  ContainerFact,
  DeliveryFact,
  ReceiptFacts,
  ResultFact,
  StatementFacts,
} from '../../src/statements/facts.js';
import type { CheckFact } from '../../src/statements/performance-bracket.js';
import { decisionDocument } from '../../src/statements/site-decision.js';
import { signed } from '../signatures/signed.js';

/** An instant of the invented day, `10:30` or `10:30:05`. */
export function time(clock: string): Instant {
  const text = `2026-03-04T${clock.length === 5 ? `${clock}:00` : clock}Z`;
  const parsed = parseTimestamp(text);
  if (!parsed) throw new Error(`no time of day: ${clock}`);
  return parsed.instant;
}

const timing = {
  deadlineMs: 1500,
  processingMs: 400,
  settleMs: 500,
  absentAsks: 2,
  retryBaseMs: 200,
  retryMaxMs: 3000,
  attemptsMax: 12,
  inFlightMax: 8,
  ratePerSecond: 200,
};

/** An invented site with everything a conforming receipt needs. */
export const site: SiteFolder = {
  site: 'northquay',
  title: 'Northquay (simulated)',
  environment: 'training',
  simulated: true,
  timeZone: 'Europe/London',
  areas: [
    { id: 'east-dock', title: 'East dock' },
    { id: 'west-dock', title: 'West dock' },
  ],
  instruments: [
    ['NQ-R-0001', 'east-dock'],
    ['NQ-R-0002', 'east-dock'],
    ['NQ-R-0003', 'west-dock'],
  ].map(([serial = '', area = '']) => ({
    serial,
    model: 'Dockside R1 (simulated)',
    firmware: '1.4.2',
    laserWavelengthNm: '785' as Decimal,
    area,
    inService: true,
  })),
  materials: [
    { code: 'NQ-1001', name: 'Material A', furtherIdentityTests: [] },
    { code: 'NQ-1002', name: 'Material B', furtherIdentityTests: [] },
    { code: 'NQ-1005', name: 'Material E', furtherIdentityTests: ['diethylene glycol limit'] },
  ],
  methods: ['NQ-1001', 'NQ-1002', 'NQ-1005'].map((material) => ({
    id: `ID-${material}`,
    version: '1',
    title: `Identity of ${material}`,
    material,
    mode: 'verification',
    algorithm: 'squared-correlation',
    threshold: '0.90' as Decimal,
    scoreTolerance: '0.02' as Decimal,
    range: { from: '250' as Decimal, to: '1800' as Decimal },
    gridStep: '1' as Decimal,
    derivative: { points: 15, polynomialOrder: 2, order: 1 },
    reference: null,
    contentDigest: `digest of ID-${material}` as Sha256,
    approvals: [{ material, decision: 'D-003' }],
  })),
  plans: [
    {
      material: '*',
      manufacturer: null,
      supplier: null,
      plan: 'every',
      rounding: 'up',
      decision: 'D-002',
      expires: time('23:59'),
    },
  ],
  decisions: ['D-001', 'D-002', 'D-003'].map((id) => ({
    id,
    rule: `rule of ${id}`,
    decidedBy: 'Head of Quality, Northquay (simulated)',
    date: '2026-01-05',
    reason: 'training',
    signed: false as const,
  })),
  sessions: { idleMs: 900_000, absoluteMs: 43_200_000 },
  limits: {
    bundleBytesMax: 33554432,
    resultsPerBundleMax: 5000,
    spectrumPointsMax: 20000,
    syncMarginMs: 1000,
    statementValidMs: 600000,
    futureToleranceMs: 120000,
    clockSkewMs: 120000,
  },
  destinations: [
    ['lims', false],
    ['erp', true],
  ].map(([name, acts]) => ({
    name: String(name),
    title: String(name).toUpperCase(),
    endpoint: { kind: 'file-drop', directory: 'out' },
    honoursKey: false,
    acts: acts === true,
    requiredForStatement: true,
    timing,
  })),
  secondPerson: { required: false, decision: 'D-001' },
  escalation: null,
  performance: {
    standards: [
      { id: 'polystyrene', source: 'invented', shifts: ['1001.4' as Decimal], expires: null },
    ],
    sets: [
      {
        id: 'handheld',
        instruments: ['NQ-R-0001', 'NQ-R-0002', 'NQ-R-0003'],
        from: 0 as Instant,
        source: 'Invented procedure',
        edition: '1',
        intervalMs: 86_400_000,
        repeats: { max: 1, withinMs: 3_600_000 },
        spectrumTolerance: '1.0' as Decimal,
        standards: [
          {
            standard: 'polystyrene',
            peaks: [
              {
                shift: '1001.4' as Decimal,
                tolerance: '2.5' as Decimal,
                warning: '1.5' as Decimal,
                action: '2.0' as Decimal,
              },
            ],
          },
        ],
      },
    ],
  },
  digest: 'site' as Sha256,
};

export const receipt: ReceiptFacts = {
  identity: {
    receiptId: 'R-1',
    receiptNumber: '4500012345',
    line: '10',
    material: 'NQ-1001',
    manufacturer: 'Maker A',
    supplier: 'Trader B',
    supplierLot: 'SL-7',
    siteLot: 'NQ26-001',
    area: 'east-dock',
  },
  announced: true,
  revision: 1,
  receivedAt: time('08:00'),
  dockCount: 2,
  retestAt: null,
  scanText: 'RC-1',
  plan: {
    kind: 'every',
    rounding: 'up',
    decision: 'D-002',
    containers: 2,
    required: 2,
    seed: 'seed',
    foundAt: time('08:05'),
  },
  areas: ['east-dock'],
  evidenceFrom: time('08:00'),
  status: 'open',
  lineage: { origins: [], departures: [], scanTexts: [], places: [] },
  rejections: [],
};

export function pass(container: string, changes: Partial<ResultFact> = {}): ResultFact {
  const rowId = changes.rowId ?? `row-${container}`;
  return {
    rowId,
    resultId: `result-${rowId}`,
    revision: 1,
    state: 'accepted',
    mode: 'verification',
    decision: 'pass',
    contrary: false,
    matchedMaterial: null,
    material: 'NQ-1001',
    lot: 'NQ26-001',
    receiptScanned: 'RC-1',
    containerScanned: container,
    containerLabel: container,
    receiptEntry: 'scanned',
    containerEntry: 'scanned',
    labelsVerifiedBy: null,
    methodId: 'ID-NQ-1001',
    methodVersion: '1',
    methodDigest: 'digest of ID-NQ-1001',
    recheck: 'agrees',
    measuredAt: time('09:00'),
    origin: 'simulated',
    environment: 'training',
    instrument: 'NQ-R-0001',
    runEpoch: 1,
    runNumber: 2,
    elementSha256: `element of ${rowId}`,
    review: null,
    cause: null,
    attribution: null,
    ...changes,
  };
}

export function fail(container: string, changes: Partial<ResultFact> = {}): ResultFact {
  return pass(container, {
    rowId: `fail-${container}`,
    decision: 'fail',
    contrary: true,
    recheck: 'not-recomputable',
    ...changes,
  });
}

export function confirmedDeliveries(results: readonly ResultFact[]): DeliveryFact[] {
  return results.flatMap((r) =>
    site.destinations.map(
      (d): DeliveryFact => ({
        deliveryId: `${r.rowId}@${d.name}`,
        subjectKind: 'result',
        resultRowId: r.rowId,
        resultRevision: 1,
        destination: d.name,
        state: 'confirmed',
        fault: null,
      }),
    ),
  );
}

export const containers: readonly ContainerFact[] = [
  { label: 'D-01', required: true },
  { label: 'D-02', required: true },
];

const results = [pass('D-01'), pass('D-02', { measuredAt: time('09:05') })];

/** A passing check; a pass of `pass()` is run 2. */
export function check(run: number, changes: Partial<CheckFact> = {}): CheckFact {
  const instrument = changes.instrument ?? 'NQ-R-0001';
  return {
    rowId: `check-row-${instrument}-${run}`,
    checkId: `${instrument}-C${run}`,
    instrument,
    epoch: 1,
    run,
    checkedAt: time('09:25'),
    standard: 'polystyrene',
    verdict: 'pass',
    isCauseSigned: false,
    ...changes,
  };
}

/** Facts of a receipt of two drums that conforms at `now`. */
export const facts: StatementFacts = {
  site,
  receipt,
  containers,
  results,
  claims: [],
  proposedAway: [],
  heardAt: new Map([
    ['NQ-R-0001', time('09:30')],
    ['NQ-R-0002', time('09:30')],
  ]),
  deliveries: confirmedDeliveries(results),
  checks: ['NQ-R-0001', 'NQ-R-0002', 'NQ-R-0003'].flatMap((instrument) => [
    check(1, { instrument, checkedAt: time('06:00') }),
    check(100, { instrument }),
  ]),
  discrepancies: [],
  stops: [],
  secondPerson: null,
  decisionSignatures: new Map(),
  watches: site.destinations.map((d) => ({ destination: d.name, isWatched: true, hold: null })),
  standsConforming: false,
  conformedAtReceiptRevision: null,
};

export const now = time('10:00');

/** Each decision of the site signed as it reads there, as the service makes the signature. */
export function signedDecisions(of: SiteFolder): StatementFacts['decisionSignatures'] {
  return new Map(
    of.decisions.flatMap(({ id }) => {
      const shown = decisionDocument(of, id);
      return shown === null
        ? []
        : [[id, signed({ id: `signature of ${id}`, meaning: 'approved' }, shown)]];
    }),
  );
}

/** The same facts with results exchanged, delivered and confirmed as they are. */
export function withResults(...changed: readonly ResultFact[]): StatementFacts {
  return { ...facts, results: changed, deliveries: confirmedDeliveries(changed) };
}

export function withReceipt(changes: Partial<ReceiptFacts>): StatementFacts {
  return { ...facts, receipt: { ...receipt, ...changes } };
}

export function withSite(changes: Partial<SiteFolder>): StatementFacts {
  return { ...facts, site: { ...site, ...changes } };
}
