import { assembleBundle, encodeSpectrum } from '../dist/checks/assemble-bundle.js';
import { scoreCurve } from '../dist/simulation/score-curve.js';
import { seedFor } from '../dist/simulation/seeded-random.js';
import { synthesiseSpectrum } from '../dist/simulation/synthesise-spectrum.js';
import { formatInZone } from '../dist/simulation/zoned-time.js';

export const POINTS = 2048;
/** Drums of a receipt; each is measured once. */
export const CONTAINERS = 20;

const SUBSTANCE = 'paracetamol';
const OTHER_SUBSTANCE = 'naphthalene';
const MATERIAL = 'NQ-1001';

/** Receipt ids that one round of bundles names, the same for the generator and for who announces them. */
export function receiptIds({
  round,
  instruments,
  bundlesEach,
  resultsEach,
  containers = CONTAINERS,
}) {
  const each = Math.ceil((bundlesEach * resultsEach) / containers);
  return instruments.flatMap((serial) =>
    Array.from({ length: each }, (_, i) => receiptId(round, serial, i)),
  );
}

function receiptId(round, serial, index) {
  return `${round}-${serial}-${index}`;
}

function containerLabel(index) {
  return `C-${String(index + 1).padStart(2, '0')}`;
}

/** Somebody of its own at each handheld: nobody measures in two areas at once. */
function operatorOf(serial) {
  return `op-${serial}`;
}

/** The announcement of these receipts, all of one material and one area. */
export function expectationCsv(ids, area, containers) {
  const labels = Array.from({ length: containers }, (_, i) => containerLabel(i)).join(';');
  const receivedAt = new Date(Date.now() - 3_600_000).toISOString();
  const head =
    'receipt_id,receipt_number,line,material,manufacturer,supplier,supplier_lot,site_lot,quantity,area,received_at,dock_count,counted_by,retest_at,scan_text,containers';
  const lines = ids.map(
    (id) =>
      `${id},${id},10,${MATERIAL},Maker (simulated),Supplier (simulated),S-1,L-1,500 kg,${area},${receivedAt},${containers},Dock clerk (simulated),2031-01-31T00:00:00Z,${id},${labels}`,
  );
  return `${[head, ...lines].join('\n')}\n`;
}

/** Simulated handhelds that sync: run numbers and the digest chain go on from round to round. */
export class Handhelds {
  #site;
  #method;
  #states = new Map();

  constructor(site) {
    this.#site = site;
    this.#method = site.methods.find((m) => m.material === MATERIAL);
  }

  /**
   * The bundles of one handheld in the order it hands them over.
   *
   * @param spec `decision` is `pass` unless it is `fail`: then the drums hold something else
   */
  bundles(serial, spec) {
    const { round, bundlesEach, resultsEach, containers = CONTAINERS, decision = 'pass' } = spec;
    const state = this.#states.get(serial) ?? { run: 0, bundle: 0, previous: null };
    this.#states.set(serial, state);
    let measured = 0;
    return Array.from({ length: bundlesEach }, () => {
      const results = Array.from({ length: resultsEach }, () => {
        state.run += 1;
        const receipt = receiptId(round, serial, Math.floor(measured / containers));
        const label = containerLabel(measured % containers);
        measured += 1;
        return this.#result(serial, state.run, { receipt, label, decision });
      });
      state.bundle += 1;
      const assembled = this.#bundle(serial, state, results);
      state.previous = assembled.sha256;
      return assembled.bytes;
    });
  }

  #curve(material, seed) {
    const step = 1800 / (POINTS - 1);
    const curve = synthesiseSpectrum({
      material,
      axisFrom: 200,
      axisTo: 2000,
      step,
      noise: 15,
      baseline: 3000,
      seed,
    });
    const score = scoreCurve(this.#method, curve);
    return { score, spectrum: encodeSpectrum(curve.axis, curve.intensity, 'float32') };
  }

  #result(serial, run, { receipt, label, decision }) {
    // Each its own noise: two containers with one trace are held.
    const substance = decision === 'fail' ? OTHER_SUBSTANCE : SUBSTANCE;
    const { score, spectrum } = this.#curve(substance, seedFor(run, serial));
    const { id, version, algorithm, threshold, mode } = this.#method;
    return {
      runNumber: run,
      resultId: `${serial}-R${run}`,
      mode,
      receipt: { scanned: receipt, entry: 'scanned' },
      container: { scanned: label, entry: 'scanned' },
      material: MATERIAL,
      lot: 'L-1',
      method: { id, version },
      operatorId: operatorOf(serial),
      measuredAt: this.#time(),
      timeSource: 'instrument',
      place: 'dock',
      presentation: { kind: 'through-packaging', between: 'polyethylene liner (simulated)' },
      acquisition: { integrationTimeMs: '800', accumulations: 3 },
      decision,
      score: { algorithm, value: score, threshold },
      candidates: [],
      spectrum,
      remarks: [{ name: 'simulated', text: 'synthesised for a benchmark' }],
      supersedes: null,
    };
  }

  #bundle(serial, state, results) {
    const site = this.#site;
    const { model, firmware, laserWavelengthNm } = site.instruments.find(
      (i) => i.serial === serial,
    );
    const clock = this.#time();
    const { id, version, contentDigest } = this.#method;
    return assembleBundle({
      bundleId: `${serial}-B${state.bundle}`,
      site: site.site,
      createdAt: clock,
      syncPc: { id: 'sync-bench' },
      origin: 'simulated',
      environment: site.environment,
      instrument: { serial, model, firmware, laserWavelengthNm },
      runs: { epoch: 1, first: state.run - results.length + 1, last: state.run },
      previousBundle: state.previous,
      clocks: { instrument: clock, syncPc: clock },
      timeZone: site.timeZone,
      performanceChecks: [],
      methods: [{ id, version, digest: contentDigest }],
      operators: [{ id: operatorOf(serial), name: 'Operator (simulated)' }],
      results,
      auditEvents: [],
    });
  }

  #time() {
    return formatInZone(Date.now() * 1000, this.#site.timeZone);
  }
}
