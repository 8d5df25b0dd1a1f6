import { type AssembledBundle, assembleBundle, encodeSpectrum } from '../checks/assemble-bundle.js';
import { fitPeak } from '../checks/peak-fit.js';
import { compareDecimals, type Decimal } from '../formats/decimal.js';
import { addMs, type Instant } from '../formats/instant.js';
import type { BundleResult, PerformanceCheck } from '../intake/result-bundle.js';
import type { Instrument, Method } from '../site/site-folder.js';
import type { Decision, Environment } from '../site/vocabulary.js';
import {
  PUBLISHED_SHIFTS,
  PUBLISHED_SHIFTS_SOURCE,
  PUBLISHED_SHIFTS_VERSION,
  type Substance,
} from './published-shifts.js';
import { seedFor } from './seeded-random.js';
import { type SynthesisedSpectrum, synthesiseSpectrum } from './synthesise-spectrum.js';
import { formatInZone } from './zoned-time.js';

/** What a site and a story give a simulated handheld. */
export interface InstrumentSetup {
  readonly site: string;
  readonly environment: Environment;
  readonly timeZone: string;
  readonly instrument: Instrument;
  readonly syncPc: string;
  readonly seed: number;
  /** Its operators, by id; names are invented. */
  readonly operators: readonly { readonly id: string; readonly name: string }[];
  /** Scores a curve by a registered method; null when it has no score. */
  readonly score: (method: Method, curve: SynthesisedSpectrum) => Decimal | null;
}

export interface MeasurementRequest {
  /** What is really in the drum the laser meets. */
  readonly substance: Substance;
  /** Labels the operator presents, whatever drum stands there. */
  readonly receiptScan: string;
  readonly containerScan: string;
  readonly lot: string;
  readonly method: Method;
  readonly operatorId: string;
  readonly now: Instant;
}

export interface SyncedBundle extends AssembledBundle {
  readonly bundleId: string;
  readonly resultIds: readonly string[];
}

/** Noise of a simulated scan, counts; bands are up to 10 000 counts high. */
const NOISE = 15;
const BASELINE = 3000;
const AXIS = { axisFrom: 200, axisTo: 2000, step: 2 } as const;
/** Tolerance of the simulated instrument's own check, cm-1: invented, and no pharmacopoeia's number. */
const CHECK_TOLERANCE = 2.5;
/** How far from its place the simulated instrument looks for a band, cm-1. */
const CHECK_WITHIN = 6;
const REMARK = `spectrum synthesised from band positions of ${PUBLISHED_SHIFTS_SOURCE} (list ${PUBLISHED_SHIFTS_VERSION})`;
const CHECK_BANDS = PUBLISHED_SHIFTS.polystyrene.filter((shift) => shift > 600 && shift < 1700);

/**
 * A simulated handheld: counts its runs, checks itself on polystyrene, measures drums with registered
 * methods, keeps what it measured until it syncs, and chains its bundles by digest. Origin is always
 * `simulated`.
 */
export class SimulatedInstrument {
  readonly serial: string;
  #epoch = 1;
  #run = 0;
  #lastTime = 0 as Instant;
  #bundles = 0;
  #previous: string | null = null;
  #results: BundleResult[] = [];
  #checks: PerformanceCheck[] = [];
  #methods = new Map<string, Method>();

  constructor(readonly setup: InstrumentSetup) {
    this.serial = setup.instrument.serial;
  }

  get lastRun(): number {
    return this.#run;
  }

  /**
   * Measures polystyrene and compares band positions with the published ones (ASTM E1840).
   *
   * @param axisError how far its wavenumbers are off, cm-1: an instrument out of adjustment
   */
  performanceCheck(now: Instant, axisError = 0): PerformanceCheck {
    const at = this.#tick(now);
    const curve = this.#scan('polystyrene', axisError);
    const shifts = CHECK_BANDS.flatMap((expected) => {
      const fit = fitPeak(curve.axis, curve.intensity, { near: expected, within: CHECK_WITHIN });
      if (fit.kind !== 'peak') return [];
      const observed = fit.centre.toFixed(1) as Decimal;
      return [{ expected: expected.toFixed(1) as Decimal, observed }];
    });
    const isWithin =
      shifts.length === CHECK_BANDS.length &&
      shifts.every((s) => Math.abs(Number(s.observed) - Number(s.expected)) <= CHECK_TOLERANCE);
    const check: PerformanceCheck = {
      runNumber: this.#run,
      checkId: `${this.serial}-${this.#epoch}-C${this.#run}`,
      checkedAt: formatInZone(at, this.setup.timeZone),
      standard: 'polystyrene',
      shifts,
      outcome: isWithin ? 'pass' : 'fail',
      spectrum: encodeSpectrum(curve.axis, curve.intensity, 'float32'),
    };
    this.#checks.push(check);
    return check;
  }

  /** Measures whatever stands before it and reports it under the labels presented. */
  measure(request: MeasurementRequest): BundleResult {
    const at = this.#tick(request.now);
    const { method } = request;
    const curve = this.#scan(request.substance);
    const score = this.setup.score(method, curve);
    const result: BundleResult = {
      runNumber: this.#run,
      resultId: `${this.serial}-${this.#epoch}-R${this.#run}`,
      mode: method.mode,
      receipt: { scanned: request.receiptScan, entry: 'scanned' },
      container: { scanned: request.containerScan, entry: 'scanned' },
      material: method.material,
      lot: request.lot,
      method: { id: method.id, version: method.version },
      operatorId: request.operatorId,
      measuredAt: formatInZone(at, this.setup.timeZone),
      timeSource: 'instrument',
      place: 'dock',
      presentation: { kind: 'through-packaging', between: 'polyethylene liner (simulated)' },
      acquisition: { integrationTimeMs: '800' as Decimal, accumulations: 1 },
      decision: decide(score, method.threshold),
      score:
        score === null
          ? null
          : { algorithm: method.algorithm, value: score, threshold: method.threshold },
      candidates: [],
      spectrum: encodeSpectrum(curve.axis, curve.intensity, 'float32'),
      remarks: [{ name: 'simulated', text: REMARK }],
      supersedes: null,
    };
    this.#results.push(result);
    this.#methods.set(`${method.id} ${method.version}`, method);
    return result;
  }

  /** Hands over everything not synced yet; an empty bundle states the last run number and the clocks. */
  sync(now: Instant): SyncedBundle {
    const { setup } = this;
    const at = (now > this.#lastTime ? now : addMs(this.#lastTime, 1)) as Instant;
    const clock = formatInZone(at, setup.timeZone);
    const runs = [...this.#results, ...this.#checks].map((r) => r.runNumber);
    this.#bundles += 1;
    const bundleId = `${this.serial}-${this.#epoch}-B${this.#bundles}`;
    const bundle = assembleBundle({
      bundleId,
      site: setup.site,
      createdAt: clock,
      syncPc: { id: setup.syncPc },
      origin: 'simulated',
      environment: setup.environment,
      instrument: {
        serial: this.serial,
        model: setup.instrument.model,
        firmware: setup.instrument.firmware,
        laserWavelengthNm: setup.instrument.laserWavelengthNm,
      },
      runs: {
        epoch: this.#epoch,
        first: runs.length === 0 ? null : Math.min(...runs),
        last: this.#run,
      },
      previousBundle: this.#previous,
      clocks: { instrument: clock, syncPc: clock },
      timeZone: setup.timeZone,
      performanceChecks: this.#checks,
      methods: [...this.#methods.values()].map(({ id, version, contentDigest }) => ({
        id,
        version,
        digest: contentDigest,
      })),
      operators: setup.operators,
      results: this.#results,
      auditEvents: [{ at: clock, actor: 'instrument', action: 'synced', detail: 'simulated' }],
    });
    this.#previous = bundle.sha256;
    const resultIds = this.#results.map((r) => r.resultId);
    this.#results = [];
    this.#checks = [];
    this.#methods = new Map();
    return { ...bundle, bundleId, resultIds };
  }

  /** One run: the next number, at a time later than the run before. */
  #tick(now: Instant): Instant {
    this.#run += 1;
    this.#lastTime = (now > this.#lastTime ? now : addMs(this.#lastTime, 1)) as Instant;
    return this.#lastTime;
  }

  #scan(material: Substance, axisError = 0): SynthesisedSpectrum {
    const seed = seedFor(this.setup.seed, `${this.serial} ${this.#epoch} ${this.#run}`);
    const noise = NOISE;
    return synthesiseSpectrum({ ...AXIS, material, noise, baseline: BASELINE, seed, axisError });
  }
}

function decide(score: Decimal | null, threshold: Decimal): Decision {
  if (score === null) return 'inconclusive';
  return compareDecimals(score, threshold) >= 0 ? 'pass' : 'fail';
}
