import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { ReceiptLine } from '../../src/receipts/expectation-line.js';
import { containersOf } from '../../src/receipts/receipts.store.js';
import type { ConditionCode } from '../../src/records/statement-record.js';
import { latestStatement } from '../../src/statements/statements.store.js';
import { goodParts, goodResult } from '../checks/fixture.js';
import { isPostgres } from '../support/temp-database.js';
import { ReviewBench } from './review-bench.js';

/**
 * Release-safety rules 8, 9 and 19, whatever is done to receipts: a drum with a GTIN and serial number that failed conforms
 * nowhere, and nothing that was repacked of it does. The test knows which drum is which; the service sees labels and scans.
 */

const DAYS = Number(process.env['MODEL_DAYS'] ?? (isPostgres ? 5 : 25));
const SEED = process.env['MODEL_SEED'];
const DRUMS = 4;
/** By one of these a statement says what speaks against a drum. */
const AGAINST: readonly ConditionCode[] = ['receipt-undivided', 'no-contrary-result'];

/** Numbers are taken modulo what there is to choose from. */
type Act =
  | { readonly kind: 'announce'; readonly drums: readonly number[]; readonly batch: boolean }
  | { readonly kind: 'drop' | 'relabel'; readonly receipt: number; readonly drum: number }
  | { readonly kind: 'cancel' | 'split'; readonly receipt: number }
  | { readonly kind: 'merge'; readonly receipt: number; readonly other: number }
  | {
      readonly kind: 'again';
      readonly as: 'repacked' | 'returned';
      readonly receipt: number;
    }
  /** By its code, under the text of whatever receipt, or of none; or by the label it has under that of its own receipt. */
  | {
      readonly kind: 'fail';
      readonly drum: number;
      readonly receipt: number;
      readonly byCode: boolean;
      readonly batch: boolean;
    };

/** What really stands on a receipt. */
interface Receipt {
  readonly id: string;
  readonly isOpen: boolean;
  /** Label of each drum that it lists; a receipt that was split or merged lists none any more. */
  readonly labels: ReadonlyMap<number, string>;
  /** Drums that what it lists may have been filled from, with the receipt from which. */
  readonly filledFrom: readonly { readonly drum: number; readonly receipt: string }[];
  readonly goesOnAs: readonly string[];
}

const code = (drum: number, batch = false) =>
  `(01)09521234543213${batch ? '(10)B1' : ''}(21)000${drum}`;

class Yard {
  readonly #receipts = new Map<string, Receipt>();
  readonly #failed = new Set<number>();
  readonly #told: string[] = [];
  #named = 0;
  #runs = 0;

  private constructor(private readonly bench: ReviewBench) {}

  static async open(): Promise<Yard> {
    return new Yard(await ReviewBench.open());
  }

  /** How often something stood against a receipt for a failed drum. */
  async live(acts: readonly Act[]): Promise<number> {
    let held = 0;
    for (const act of acts) {
      if (!(await this.#do(act))) continue;
      this.#told.push(JSON.stringify(act));
      for (const receipt of this.#receipts.values()) held += await this.#look(receipt);
    }
    return held;
  }

  /** What the last revision stored says, without anybody asking: it has to be there with the act that brings it. */
  async #look(receipt: Receipt): Promise<number> {
    const failed = this.#failedOf(receipt);
    // Where nothing failed nothing is asked for: to be cautious is allowed.
    if (!receipt.isOpen || failed.length === 0) return 0;
    const { site } = this.bench.bench.site;
    const statement = await latestStatement(this.bench.db, site, receipt.id);
    const against = (statement?.conditions ?? []).filter(
      ({ code, state }) => AGAINST.includes(code) && state !== 'met',
    );
    const what = `failed drum ${failed.join(', ')} of ${receipt.id}`;
    expect(against, `${what} after\n${this.#told.join('\n')}`).not.toEqual([]);
    return 1;
  }

  #failedOf({ labels, filledFrom }: Receipt): number[] {
    const there = filledFrom
      .filter(({ drum, receipt }) => this.#stillAt(receipt, drum))
      .map(({ drum }) => drum);
    return [...labels.keys(), ...there].filter((drum) => this.#failed.has(drum));
  }

  /** True where the receipt of a drum, or what it went on as, lists it to this day: a correction may take it away. */
  #stillAt(id: string, drum: number): boolean {
    const receipt = this.#receipt(id);
    return receipt.labels.has(drum) || receipt.goesOnAs.some((next) => this.#stillAt(next, drum));
  }

  async #do(act: Act): Promise<boolean> {
    switch (act.kind) {
      case 'announce': {
        const drums = [...new Set(act.drums.map((n) => n % DRUMS))];
        return this.#add(new Map(drums.map((drum) => [drum, code(drum, act.batch)])));
      }
      case 'fail':
        return this.#fail(act);
    }
    const receipt = this.#choose(act.receipt, (r) => act.kind === 'again' || r.isOpen);
    if (receipt === undefined) return false;
    const { id, labels } = receipt;
    switch (act.kind) {
      case 'drop': {
        const drum = [...labels.keys()][act.drum % Math.max(1, labels.size)];
        const rest = new Map([...labels].filter(([n]) => n !== drum));
        const done = await this.bench.announce(this.#line(id, rest));
        if (!done.ok || drum === undefined) return false;
        const after = await this.#listed(id);
        this.#change(id, { labels: new Map([...labels].filter(([, l]) => after.has(l))) });
        return true;
      }
      case 'relabel': {
        const [drum, from] = [...labels][act.drum % Math.max(1, labels.size)] ?? [];
        if (drum === undefined || from === undefined) return false;
        const to = `N-${++this.#named}`;
        const of = { receiptId: id, seen: null, from, to, witness: 'second person' };
        const done = await this.bench.change((c, trx, by) => c.relabel(trx, of, by));
        if (done.ok) this.#change(id, { labels: new Map(labels).set(drum, to) });
        return done.ok;
      }
      case 'cancel': {
        const of = { receiptId: id, seen: null };
        const done = await this.bench.change((c, trx, by) => c.cancel(trx, of, by));
        if (done.ok) this.#change(id, { isOpen: false });
        return done.ok;
      }
      case 'split':
        return this.#split(receipt);
      case 'merge':
        return this.#merge(
          receipt,
          this.#choose(act.other, (r) => r.isOpen && r.id !== id),
        );
      case 'again':
        return this.#again(receipt, act.as);
    }
  }

  async #split({ id, labels, filledFrom }: Receipt): Promise<boolean> {
    const others = (await this.#listed(id)).size - labels.size;
    const [first, ...rest] = [...labels];
    if (first === undefined || rest.length + others === 0) return false;
    const made = [new Map([first]), new Map(rest)].map((of) => ({ id: this.#newId(), labels: of }));
    const fillers = [...(await this.#listed(id))].filter((l) => ![...labels.values()].includes(l));
    const parts = made.map((part, i) => ({
      receiptId: part.id,
      scanText: textOf(part.id),
      containers: [...part.labels.values(), ...(i === 1 ? fillers : [])],
    }));
    const of = { receiptId: id, seen: null, parts };
    const done = await this.bench.change((c, trx, by) => c.split(trx, of, by));
    if (!done.ok) return false;
    for (const part of made) this.#put({ ...part, isOpen: true, filledFrom, goesOnAs: [] });
    this.#change(id, { isOpen: false, labels: new Map(), goesOnAs: made.map((part) => part.id) });
    return true;
  }

  async #merge(one: Receipt, other: Receipt | undefined): Promise<boolean> {
    if (other === undefined) return false;
    const id = this.#newId();
    const of = { receiptId: id, scanText: textOf(id), parts: [one.id, other.id] };
    const done = await this.bench.change((c, trx, by) => c.merge(trx, of, by));
    if (!done.ok) return false;
    this.#put({
      id,
      isOpen: true,
      labels: new Map([...one.labels, ...other.labels]),
      filledFrom: [...one.filledFrom, ...other.filledFrom],
      goesOnAs: [],
    });
    for (const part of [one, other]) {
      this.#change(part.id, { isOpen: false, labels: new Map(), goesOnAs: [id] });
    }
    return true;
  }

  /** Returned drums bear their labels, repacked ones new ones. */
  #again({ id, labels, filledFrom }: Receipt, as: 'repacked' | 'returned'): Promise<boolean> {
    const listed = as === 'returned' ? labels : new Map<number, string>();
    const drums = this.#drumsOf(id).map((drum) => ({ drum, receipt: id }));
    return this.#add(listed, { receiptId: id, as }, [...filledFrom, ...drums]);
  }

  #drumsOf(id: string): number[] {
    const { labels, goesOnAs } = this.#receipt(id);
    return [...labels.keys(), ...goesOnAs.flatMap((next) => this.#drumsOf(next))];
  }

  async #add(
    labels: ReadonlyMap<number, string>,
    comesFrom?: ReceiptLine['comesFrom'],
    filledFrom: Receipt['filledFrom'] = [],
  ): Promise<boolean> {
    const id = this.#newId();
    const line = { ...this.#line(id, labels), ...(comesFrom === undefined ? {} : { comesFrom }) };
    const done = await this.bench.announce(line);
    if (done.ok) this.#put({ id, isOpen: true, labels, filledFrom, goesOnAs: [] });
    return done.ok;
  }

  async #fail(act: Extract<Act, { kind: 'fail' }>): Promise<boolean> {
    const drum = act.drum % DRUMS;
    const own = this.#choose(act.receipt, (r) => r.labels.has(drum));
    const isByLabel = !act.byCode && own !== undefined;
    const under = isByLabel ? own : this.#choose(act.receipt, () => true);
    const receipt = under === undefined ? 'GR-nobody-knows' : textOf(under.id);
    const container = isByLabel ? (own.labels.get(drum) ?? '') : code(drum, act.batch);
    this.#runs += 1;
    const result = goodResult(this.#runs, {
      decision: 'fail',
      receipt: { scanned: receipt, entry: 'scanned' },
      container: { scanned: container, entry: 'scanned' },
    });
    await this.bench.settle(goodParts([result], { bundleId: `B-${this.#runs}` }));
    this.#failed.add(drum);
    return true;
  }

  async #listed(id: string): Promise<ReadonlySet<string>> {
    const { site } = this.bench.bench.site;
    const rows = await containersOf(this.bench.db, site, id);
    return new Set(rows.map(({ label }) => label));
  }

  /** With one container more, of which nobody says anything. */
  #line(
    id: string,
    labels: ReadonlyMap<number, string>,
  ): Partial<ReceiptLine> & { receiptId: string } {
    const containers = [...labels.values(), `F-${id}`];
    return { receiptId: id, scanText: textOf(id), containers, dockCount: containers.length };
  }

  #choose(n: number, mayBe: (receipt: Receipt) => boolean): Receipt | undefined {
    const all = [...this.#receipts.values()].filter(mayBe);
    return all[n % Math.max(1, all.length)];
  }

  #newId(): string {
    return `R-${this.#receipts.size + ++this.#named}`;
  }

  #receipt(id: string): Receipt {
    const receipt = this.#receipts.get(id);
    if (receipt === undefined) throw new Error(`there is no receipt ${id}`);
    return receipt;
  }

  #put(receipt: Receipt): void {
    this.#receipts.set(receipt.id, receipt);
  }

  #change(id: string, to: Partial<Receipt>): void {
    this.#put({ ...this.#receipt(id), ...to });
  }
}

const textOf = (id: string) => `GR-${id.slice(2)}`;

const small = fc.nat({ max: 20 });
const act: fc.Arbitrary<Act> = fc.oneof(
  {
    weight: 4,
    arbitrary: fc.record({
      kind: fc.constant('announce' as const),
      drums: fc.array(small, { minLength: 1, maxLength: 3 }),
      batch: fc.boolean(),
    }),
  },
  {
    weight: 3,
    arbitrary: fc.record({
      kind: fc.constant('fail' as const),
      drum: small,
      receipt: small,
      byCode: fc.boolean(),
      batch: fc.boolean(),
    }),
  },
  {
    weight: 4,
    arbitrary: fc.record({
      kind: fc.constantFrom('drop' as const, 'relabel' as const, 'relabel' as const),
      receipt: small,
      drum: small,
    }),
  },
  {
    weight: 5,
    arbitrary: fc.record({
      kind: fc.constantFrom('cancel' as const, 'split' as const),
      receipt: small,
    }),
  },
  {
    weight: 2,
    arbitrary: fc.record({ kind: fc.constant('merge' as const), receipt: small, other: small }),
  },
  {
    weight: 3,
    arbitrary: fc.record({
      kind: fc.constant('again' as const),
      as: fc.constantFrom('repacked' as const, 'returned' as const),
      receipt: small,
    }),
  },
);

describe('a drum that failed', () => {
  it(
    'conforms nowhere, whatever becomes of its label and its receipts, on random days',
    async () => {
      let held = 0;
      await fc.assert(
        fc.asyncProperty(fc.array(act, { minLength: 12, maxLength: 30 }), async (acts) => {
          const yard = await Yard.open();
          held += await yard.live(acts);
        }),
        { numRuns: DAYS, ...(SEED === undefined ? {} : { seed: Number(SEED) }) },
      );
      expect(held).toBeGreaterThan(DAYS);
    },
    DAYS * 10_000 + 60_000,
  );
});
