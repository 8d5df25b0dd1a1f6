import { assembleBundle, type BundleParts } from '../../src/checks/assemble-bundle.js';
import type { Sha256 } from '../../src/formats/canonical-json.js';
import { addMs, type Instant } from '../../src/formats/instant.js';
import type { BundleResult, ResultBundle } from '../../src/intake/result-bundle.js';
import { expectationCsv } from '../../src/simulation/expectation-rows.js';
import { SimulatedInstrument } from '../../src/simulation/instrument.js';
import { OPERATORS } from '../../src/simulation/northquay-day.js';
import type { Substance } from '../../src/simulation/published-shifts.js';
import { scoreCurve } from '../../src/simulation/score-curve.js';
import { type StoryReceipt, SUBSTANCE_OF } from '../../src/simulation/story.js';
import type { GatewayWorld, ShownBundle } from './gateway-world.js';

const RECEIVED_BEFORE_MS = 3_600_000;
const MEASURED_BEFORE_MS = 1_800_000;
const BETWEEN_RUNS_MS = 1_000;
/** Serials of Northquay's east dock. */
export const EAST = ['NQ-R-0001', 'NQ-R-0002'] as const;

export interface Bundle {
  readonly bytes: Uint8Array;
  readonly sha256: Sha256;
  readonly document: ResultBundle;
}

interface Measurement {
  /** What the laser really meets; the material of the receipt when left out. */
  readonly holds?: Substance;
  /** Material whose method the operator picks; the receipt's when left out. */
  readonly picks?: string;
  /** What this result says otherwise than the instrument would. */
  readonly says?: Partial<BundleResult>;
  /** Half an hour ago and later when left out, so that no test waits for a sync margin. */
  readonly at?: Instant;
}

/** What the dock needs of a gateway, wherever it runs. */
export type DockWorld = Pick<
  GatewayWorld,
  'clock' | 'site' | 'announce' | 'take' | 'says' | 'quiet'
>;

function operatorOf({ areas }: Pick<DockWorld['site'], 'areas'>, area: string) {
  const known = OPERATORS[areas.findIndex(({ id }) => id === area)];
  return known ?? { id: `op-${area}`, name: `Operator at ${area} (simulated)` };
}

/** The people and instruments at Northquay's receiving dock (simulated), one call a deed. */
export class Dock {
  readonly receivedAt: Instant;
  readonly #instruments: ReadonlyMap<string, SimulatedInstrument>;
  readonly #says = new Map<string, Partial<BundleResult>>();
  #next: Instant;

  constructor(readonly world: DockWorld) {
    const now = world.clock.now();
    this.receivedAt = addMs(now, -RECEIVED_BEFORE_MS);
    this.#next = addMs(now, -MEASURED_BEFORE_MS);
    const { site } = world;
    this.#instruments = new Map(
      site.instruments.map((instrument) => [
        instrument.serial,
        new SimulatedInstrument({
          site: site.site,
          environment: site.environment,
          timeZone: site.timeZone,
          instrument,
          syncPc: 'sync-a',
          seed: 11,
          operators: [operatorOf(site, instrument.area)],
          score: scoreCurve,
        }),
      ]),
    );
  }

  /** Announces receipt lines as ERP's export would. */
  async announce(...receipts: readonly StoryReceipt[]): Promise<void> {
    const csv = expectationCsv(receipts, this.receivedAt, this.world.site.timeZone);
    const { status, text } = await this.world.announce(csv);
    if (status !== 200) throw new Error(`announcing was answered ${status} ${text}`);
  }

  /** Measures one drum; the result stays on the handheld until it syncs. */
  measure(serial: string, receipt: StoryReceipt, label: string, how: Measurement = {}): string {
    const material = how.picks ?? receipt.material;
    const method = this.world.site.methods.find((m) => m.material === material);
    const holds = how.holds ?? SUBSTANCE_OF[receipt.material];
    if (!method || !holds) throw new Error(`nothing is known of ${material}`);
    const { resultId } = this.#instrument(serial).measure({
      substance: holds,
      receiptScan: receipt.scanText,
      containerScan: label,
      lot: receipt.siteLot,
      method,
      operatorId: this.#operatorAt(serial),
      now: how.at ?? this.#tick(),
    });
    if (how.says) this.#says.set(resultId, how.says);
    return resultId;
  }

  /** Checks a handheld on polystyrene; its wavenumbers are off by `axisError` cm-1. */
  check(serial: string, axisError = 0): string {
    return this.#instrument(serial).performanceCheck(this.#tick(), axisError).checkId;
  }

  /** Packs what a handheld holds into a bundle and clears it, as its sync PC would; nothing is sent. */
  pack(serial: string, over: Partial<BundleParts> = {}): Bundle {
    const { document } = this.#instrument(serial).sync(this.world.clock.now());
    return remade(document, {
      results: document.results.map((r) => ({ ...r, ...this.#says.get(r.resultId) })),
      ...over,
    });
  }

  /** Packs, hands over, and waits until the bundle's checks are through. */
  sync(serial: string, over: Partial<BundleParts> = {}): Promise<ShownBundle> {
    return this.world.take(this.pack(serial, over));
  }

  /** Measures every drum of a receipt with one handheld of its dock, and syncs every handheld there. */
  async measureAll(receipt: StoryReceipt): Promise<void> {
    const serials = this.world.site.instruments
      .filter((instrument) => instrument.area === receipt.area)
      .map((instrument) => instrument.serial);
    const [first] = serials;
    if (first === undefined) throw new Error(`nobody measures at ${receipt.area}`);
    for (const { label, holds } of receipt.drums) this.measure(first, receipt, label, { holds });
    for (const serial of serials) await this.sync(serial);
  }

  /** Brings a receipt to *conforms*, and everything about it to its destinations. */
  async conform(receipt: StoryReceipt): Promise<void> {
    await this.announce(receipt);
    await this.measureAll(receipt);
    await this.world.says(receipt.id, 'conforms');
    await this.world.quiet();
  }

  /** Nobody is at two docks at once. */
  #operatorAt(serial: string): string {
    const { site } = this.world;
    const instrument = site.instruments.find((i) => i.serial === serial);
    if (instrument === undefined) throw new Error(`there is no instrument ${serial}`);
    return operatorOf(site, instrument.area).id;
  }

  #instrument(serial: string): SimulatedInstrument {
    const instrument = this.#instruments.get(serial);
    if (!instrument) throw new Error(`there is no instrument ${serial}`);
    return instrument;
  }

  #tick(): Instant {
    this.#next = addMs(this.#next, BETWEEN_RUNS_MS);
    return this.#next;
  }
}

/** The same bundle with other parts and a manifest that fits them. */
export function remade(document: ResultBundle, over: Partial<BundleParts>): Bundle {
  const { format: _format, version: _version, manifest: _manifest, ...parts } = document;
  return assembleBundle({ ...parts, ...over });
}

/** A receipt line of two drums of paracetamol at the east dock, invented. */
export function receiptOf(n: number, over: Partial<StoryReceipt> = {}): StoryReceipt {
  const drums = over.drums ?? [1, 2].map((d) => drum(n, d));
  return {
    id: `nq-${n}-1`,
    scanText: `NQ${n}/1`,
    material: 'NQ-1001',
    manufacturer: 'Birchwater Chemicals (simulated)',
    supplier: 'Birchwater Chemicals (simulated)',
    supplierLot: `BW-${n}`,
    siteLot: `NQL-${n}`,
    area: 'east-dock',
    sampled: drums.length,
    expected: 'conforms',
    expectsStop: false,
    because: 'told by the test',
    ...over,
    drums,
  };
}

export function drum(n: number, d: number): StoryReceipt['drums'][number] {
  return { label: `D${n}-0${d}`, holds: 'paracetamol' };
}
