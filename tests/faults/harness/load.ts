import { setTimeout as wait } from 'node:timers/promises';
import type { SimulatedDay } from '../../../src/simulation/day.runner.js';
import type { WorldTruth } from '../../../src/simulation/judge.js';
import { type RandomSource, seededRandom, seedFor } from '../../../src/simulation/seeded-random.js';
import type {
  MeasuredResult,
  Story,
  StoryReceipt,
  StoryStep,
} from '../../../src/simulation/story.js';
import type { SitePeople } from './people.js';

/** Invented instruments of the site folder; the first two stand at the east dock, the others at the west. */
const INSTRUMENTS = [
  { serial: 'NQ-R-0001', area: 'east-dock' },
  { serial: 'NQ-R-0002', area: 'east-dock' },
  { serial: 'NQ-R-0003', area: 'west-dock' },
  { serial: 'NQ-R-0004', area: 'west-dock' },
] as const;
/** Nobody is at both docks at once. */
const operatorAt = (serial: string) =>
  INSTRUMENTS.find((i) => i.serial === serial)?.area === 'west-dock' ? 'op-13' : 'op-11';
const PACE_MS = 700;
const LOOK_EVERY_MS = 20;
/** Receipts that ERP's export announces at once, just before the first of them is measured. */
const RECEIPTS_A_FILE = 6;
const BURST_FACTOR = 10;
/** A receipt that is to be contradicted is, once so many others of its instrument came after it. */
const CONTRADICTED_AFTER = 2;

/** Of what an instrument has measured somebody takes something back within this. */
const TAKEN_BACK_MS_MAX = 1500;

/**
 * `refused`: a reviewer refuses the result of its first drum. `moved`: its last drum is measured under the label of a drum
 * of another receipt, and two people give the result its place.
 */
type Fate = 'good' | 'bad' | 'contradicted' | 'refused' | 'moved';

/** The first receipts of every instrument, so that each seed meets every fate that takes something back. */
const FIRST: readonly Fate[] = ['bad', 'good', 'refused', 'moved'];

interface Visit {
  readonly receipt: StoryReceipt;
  readonly fate: Fate;
  /** A good receipt before it, of which a label was scanned instead; null where none was. */
  readonly under: StoryReceipt | null;
}

export interface LoadOptions {
  readonly seed: number;
  /** Receipts that each instrument could measure before it has none left. */
  readonly receiptsEach: number;
  /** The time now (RFC 3339 UTC), by the clock that measurements go by. */
  readonly now: () => string;
  readonly people: Pick<SitePeople, 'refuse' | 'move'>;
  /** Tells the gateway of receipts that arrived; resolves once it has said that it knows. */
  readonly announce: (receipts: readonly StoryReceipt[]) => Promise<void>;
  /** A day for an instrument, or for all of them. */
  readonly day: (serial: string | null, story: Story) => SimulatedDay;
}

/**
 * Four handhelds that measure receipts and sync, one after the other, until they are told to stop. What they
 * measure is a function of the seed; how far they come depends on the faults.
 */
export class Load {
  readonly #visits: readonly (readonly Visit[])[];
  readonly #met = new Set<StoryReceipt>();
  readonly #days: SimulatedDay[] = [];
  readonly #acts: Promise<void>[] = [];
  /** What became of results that somebody took back, and what is to be said of their receipts since. */
  readonly #takenBack = new Map<string, Pick<MeasuredResult, 'revisions' | 'takenBackAt'>>();
  readonly #told = new Map<string, Pick<StoryReceipt, 'expected' | 'expectsStop'>>();
  #isBursting = false;
  #isOver = false;
  #bundles = 0;

  constructor(private readonly options: LoadOptions) {
    const { seed, receiptsEach } = options;
    this.#visits = INSTRUMENTS.map((_, i) => plannedVisits(seed, i, receiptsEach));
  }

  /** Ends when it was stopped, and the last bundle under way and the last act are acknowledged. */
  async run(): Promise<void> {
    await Promise.all(INSTRUMENTS.map((_, i) => this.#measure(i)));
    await Promise.all(this.#acts);
  }

  /** False when not as many bundles as instruments were acknowledged in time. */
  async untilFlowing(msMax: number): Promise<boolean> {
    const end = performance.now() + msMax;
    while (this.#bundles < INSTRUMENTS.length) {
      if (performance.now() > end) return false;
      await wait(LOOK_EVERY_MS);
    }
    return true;
  }

  burst(isBursting: boolean): void {
    this.#isBursting = isBursting;
  }

  stop(): void {
    this.#isOver = true;
  }

  /** Everybody is heard again, past the measurement that completed coverage. */
  async close(): Promise<void> {
    await this.#live(null, [
      { do: 'wait-margin' },
      ...INSTRUMENTS.map(({ serial }): StoryStep => ({ do: 'check', serial })),
      ...INSTRUMENTS.map(({ serial }): StoryStep => ({ do: 'sync', serial, how: 'once' })),
    ]);
  }

  /** What really happened, from the receipts that were met. */
  get truth(): WorldTruth {
    return {
      receipts: [...this.#met].map((receipt) => ({ ...receipt, ...this.#told.get(receipt.id) })),
      measured: this.#days.flatMap((day) =>
        day.measured.map((result) => ({ ...result, ...this.#takenBack.get(result.resultId) })),
      ),
      drums: new Map(this.#days.flatMap((day) => [...day.drums])),
    };
  }

  async #measure(index: number): Promise<void> {
    const random = seededRandom(seedFor(this.options.seed, `pace ${index}`));
    const { serial } = INSTRUMENTS[index] as (typeof INSTRUMENTS)[number];
    const visits = this.#visits[index] ?? [];
    const wrongDrum = visits.find((v) => v.fate === 'bad')?.receipt;
    const waiting: { readonly visit: Visit; readonly from: number }[] = [];
    await this.#live(serial, [{ do: 'check', serial }]);
    for (const [n, visit] of visits.entries()) {
      if (this.#isOver) break;
      if (n % RECEIPTS_A_FILE === 0) {
        await this.options.announce(visits.slice(n, n + RECEIPTS_A_FILE).map((v) => v.receipt));
      }
      await this.#pause(random);
      await this.#visit(serial, visit, random);
      if (visit.fate === 'contradicted') waiting.push({ visit, from: n + CONTRADICTED_AFTER });
      while ((waiting[0]?.from ?? Number.POSITIVE_INFINITY) <= n) {
        const next = waiting.shift();
        if (next && wrongDrum) await this.#contradict(serial, next.visit.receipt, wrongDrum);
      }
    }
    for (const { visit } of waiting) {
      if (wrongDrum) await this.#contradict(serial, visit.receipt, wrongDrum);
    }
  }

  async #visit(serial: string, visit: Visit, random: RandomSource): Promise<void> {
    const { receipt, under, fate } = visit;
    const splitsAt = random() < 0.4 ? 1 : receipt.drums.length;
    const steps = receipt.drums.flatMap(({ label }, i): StoryStep[] => {
      const isLast = i === receipt.drums.length - 1;
      const how = random() < 0.1 ? 'twice' : 'once';
      const presents = (isLast ? under?.drums[0]?.label : undefined) ?? label;
      return [
        { do: 'measure', serial, drum: label, presents, operator: operatorAt(serial) },
        // The instrument passes a check behind the last drum, so that its results count.
        ...(isLast ? [{ do: 'check', serial } as const] : []),
        ...(isLast || i + 1 === splitsAt ? [{ do: 'sync', serial, how } as const] : []),
      ];
    });
    const day = await this.#live(serial, steps, receipt, ...(under ? [under] : []));
    if (fate === 'refused') this.#later(random, () => this.#refuse(receipt, day.measured.at(0)));
    if (under) this.#later(random, () => this.#move(receipt, under, day.measured.at(-1)));
  }

  /** While the results are on their way, or when they have long arrived. */
  #later(random: RandomSource, act: () => Promise<void>): void {
    const acting = wait(random() * TAKEN_BACK_MS_MAX).then(act);
    // Reported where it is waited for; it must not end the program meanwhile.
    acting.catch(() => undefined);
    this.#acts.push(acting);
  }

  async #refuse(receipt: StoryReceipt, result: MeasuredResult | undefined): Promise<void> {
    if (result === undefined || !(await this.options.people.refuse(result.resultId))) return;
    this.#takenBack.set(result.resultId, {
      revisions: [{ receiptId: receipt.id, isTakenBack: true }],
      takenBackAt: this.options.now(),
    });
    this.#told.set(receipt.id, { expected: 'incomplete', expectsStop: 'either' });
  }

  /** The receipt that loses the result has another one of the same drum; the other one waits for it. */
  async #move(
    receipt: StoryReceipt,
    under: StoryReceipt,
    result: MeasuredResult | undefined,
  ): Promise<void> {
    if (result === undefined) return;
    const end = await this.options.people.move(result.resultId, {
      receiptId: receipt.id,
      receiptScan: receipt.scanText,
      container: result.drum,
      lot: receipt.siteLot,
    });
    const isMoved = end === 'moved';
    this.#told.set(under.id, {
      expected: isMoved ? 'conforms' : 'incomplete',
      expectsStop: 'either',
    });
    if (!isMoved) {
      this.#told.set(receipt.id, { expected: 'incomplete', expectsStop: false });
      return;
    }
    this.#takenBack.set(result.resultId, {
      revisions: [
        { receiptId: under.id, isTakenBack: true },
        { receiptId: receipt.id, isTakenBack: false },
      ],
      takenBackAt: this.options.now(),
    });
  }

  /** Somebody measures a drum of another material under the label of one that passed before. */
  async #contradict(serial: string, receipt: StoryReceipt, other: StoryReceipt): Promise<void> {
    const wrong = other.drums.find((d) => d.holds !== 'paracetamol');
    const label = receipt.drums[0]?.label;
    if (wrong === undefined || label === undefined) return;
    await this.#live(
      serial,
      [
        { do: 'measure', serial, drum: wrong.label, presents: label, operator: operatorAt(serial) },
        { do: 'sync', serial, how: 'once' },
      ],
      receipt,
      other,
    );
  }

  async #live(
    serial: string | null,
    steps: readonly StoryStep[],
    ...receipts: readonly StoryReceipt[]
  ): Promise<SimulatedDay> {
    const [own] = receipts;
    if (own) this.#met.add(own);
    const day = this.options.day(serial, { receipts, steps, discrepancies: [] });
    this.#days.push(day);
    await day.run();
    this.#bundles += steps.filter((step) => step.do === 'sync').length;
    return day;
  }

  /** Waits for the next receipt, less in a burst, and no longer once it is over. */
  async #pause(random: RandomSource): Promise<void> {
    const begun = performance.now();
    const ms = PACE_MS * (0.5 + random());
    while (!this.#isOver) {
      const left = begun + ms / (this.#isBursting ? BURST_FACTOR : 1) - performance.now();
      if (left <= 0) return;
      await wait(Math.min(left, LOOK_EVERY_MS));
    }
  }
}

function plannedVisits(seed: number, instrument: number, count: number): Visit[] {
  const random = seededRandom(seedFor(seed, `receipts ${instrument}`));
  const visits: Visit[] = [];
  const good: StoryReceipt[] = [];
  for (let n = 0; n < count; n += 1) {
    const drawn = fateOf(random());
    const fate = FIRST[n] ?? (drawn === 'moved' && good.length === 0 ? 'good' : drawn);
    const drums = 1 + Math.floor(random() * 3);
    const receipt = receiptFor(instrument, n, fate, drums, Math.floor(random() * drums));
    // Each only once: two people who move things there at once are not what is tested.
    const under = fate === 'moved' ? (good.pop() ?? null) : null;
    if (fate === 'good') good.push(receipt);
    visits.push({ fate, receipt, under });
  }
  return visits;
}

function fateOf(draw: number): Fate {
  if (draw < 0.15) return 'bad';
  if (draw < 0.35) return 'contradicted';
  if (draw < 0.45) return 'refused';
  return draw < 0.6 ? 'moved' : 'good';
}

function receiptFor(
  instrument: number,
  n: number,
  fate: Fate,
  drums: number,
  wrong: number,
): StoryReceipt {
  const number = `${instrument + 1}${String(n).padStart(4, '0')}`;
  return {
    id: `nq-${number}-1`,
    scanText: `NQ${number}/1`,
    material: 'NQ-1001',
    manufacturer: 'Birchwater Chemicals (simulated)',
    supplier: 'Birchwater Chemicals (simulated)',
    supplierLot: `BW-${number}`,
    siteLot: `NQL-${number}`,
    area: INSTRUMENTS[instrument]?.area ?? 'east-dock',
    drums: Array.from({ length: drums }, (_, d) => ({
      label: `D${number}-0${d + 1}`,
      holds: fate === 'bad' && d === wrong ? 'naphthalene' : 'paracetamol',
    })),
    sampled: drums,
    expected: fate === 'bad' || fate === 'contradicted' ? 'does-not-conform' : 'conforms',
    expectsStop: fate === 'contradicted' ? 'either' : false,
    because: fate,
  };
}
