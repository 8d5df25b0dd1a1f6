/**
 * What signed acts and performance checks do to a few receipt lines of one dock, written a second time from the documents
 * (docs/review.md, docs/receipts.md, docs/performance.md) without any of the service's code. Where they leave something
 * open the model takes no such act.
 */

/** What a handheld did, in the order in which it did it. */
export type Item = {
  readonly serial: number;
  /** Bundle of that handheld that holds it. */
  readonly bundle: number;
  readonly passes: boolean;
} & (
  | { readonly kind: 'run'; readonly receipt: number; readonly drum: number }
  | { readonly kind: 'check' }
);

export interface ModelCase {
  /** Drums of each receipt line when it is announced. */
  readonly drums: readonly number[];
  /** Bundles of each handheld of the dock. */
  readonly bundles: readonly number[];
  readonly items: readonly Item[];
  /** Whether a result counts between two passing checks only. */
  readonly areChecksJudged: boolean;
}

export type Act =
  | { readonly kind: 'announce'; readonly receipt: number }
  | { readonly kind: 'bundle'; readonly serial: number; readonly bundle: number }
  /** The receipt is announced again with one drum more, which nobody measures. */
  | { readonly kind: 'grow'; readonly receipt: number }
  | { readonly kind: 'lift'; readonly receipt: number }
  | { readonly kind: 'cancel'; readonly receipt: number }
  /** The first drum goes to a receipt of its own and the others to another; both are numbered on behind the last one. */
  | { readonly kind: 'split'; readonly receipt: number }
  /** Somebody answers for what a part came of. */
  | { readonly kind: 'answer'; readonly receipt: number }
  | { readonly kind: 'reject'; readonly receipt: number; readonly drum: number }
  | { readonly kind: 'refuse' | 'cause' | 'attribute' | 'decline'; readonly item: number }
  | {
      readonly kind: 'propose';
      readonly item: number;
      readonly receipt: number;
      readonly drum: number;
    }
  | { readonly kind: 'check-cause'; readonly item: number };

/** Whether an act has its effect, is answered that it may not be done, or is not tried. */
export type Taken = 'done' | 'refused' | 'not-tried';

export type ModelOutcome = 'conforms' | 'does-not-conform' | 'incomplete';

interface Place {
  readonly receipt: number;
  readonly drum: number;
}

interface Result extends Place {
  readonly passes: boolean;
  /** Covers nothing, also once the signature is void. */
  readonly isRefused: boolean;
  readonly isRefusalVoid: boolean;
  readonly hasCause: boolean;
  readonly wasMoved: boolean;
  readonly proposed: Place | null;
  /** By a check that failed twice: for good. */
  readonly isWithdrawn: boolean;
}

interface Line {
  readonly isAnnounced: boolean;
  readonly drums: number;
  readonly rejected: ReadonlySet<number>;
  readonly conforms: boolean;
  readonly isStopped: boolean;
  /** Its stop withdraws: the receipt was contradicted while it stood, and says so until the stop is lifted. */
  readonly isStoppedForGood: boolean;
  readonly hadStop: boolean;
  /** Cancelled, or split. */
  readonly isClosed: boolean;
  /** It did not conform when it was split, and never does. */
  readonly isContradicted: boolean;
  /** Receipts of its first drum and of the others; null of one that was not split. */
  readonly parts: readonly [number, number] | null;
  /** What it came of, by every receipt that it was split off, over however many steps. */
  readonly sources: ReadonlyMap<number, Source>;
  /** What was shown to who answered for it. */
  readonly answers: readonly Shown[];
}

/** A receipt that another one was split off. */
interface Source {
  /** It was in doubt when it was split. */
  readonly isDoubted: boolean;
  /** Fails that it had then. */
  readonly failed: ReadonlySet<number>;
  /** Who answered for it first; null while nobody did. */
  readonly answer: Shown | null;
}

/** Fails at the other parts, by the receipt that was split. */
type Shown = ReadonlyMap<number, ReadonlySet<number>>;

const NEW_LINE: Omit<Line, 'drums'> = {
  isAnnounced: false,
  rejected: new Set(),
  conforms: false,
  isStopped: false,
  isStoppedForGood: false,
  hadStop: false,
  isClosed: false,
  isContradicted: false,
  parts: null,
  sources: new Map(),
  answers: [],
};

type Bracket = 'closed' | 'open' | 'withdrawn';

export class ActsModel {
  readonly #taken: Set<number>[];
  readonly #results = new Map<number, Result>();
  /** Failed checks whose cause is signed. */
  readonly #explained = new Set<number>();
  readonly #lines: Line[];

  constructor(readonly about: ModelCase) {
    this.#taken = about.bundles.map(() => new Set());
    this.#lines = about.drums.map((drums) => ({ ...NEW_LINE, drums }));
  }

  /** null while nobody announced it. */
  says(receipt: number): { readonly outcome: ModelOutcome; readonly isStopped: boolean } | null {
    const { isAnnounced, isStopped, isStoppedForGood } = this.#line(receipt);
    if (!isAnnounced) return null;
    const says = this.#unlatched(receipt);
    if (isStoppedForGood) return { outcome: 'does-not-conform', isStopped };
    return { outcome: says === 'conforms' && isStopped ? 'incomplete' : says, isStopped };
  }

  /**
   * Of each of its drums the items that speak of it; a fail also where somebody proposes that it belongs. The drums of a
   * receipt that was split are of its parts.
   */
  speaksOf(receipt: number): readonly (readonly number[])[] {
    if (this.#line(receipt).parts !== null) return [];
    const isHere = (place: Place | null, drum: number) =>
      place !== null && place.receipt === receipt && place.drum === drum;
    return [...Array(this.#line(receipt).drums).keys()].map((drum) =>
      [...this.#results].flatMap(([item, r]) =>
        isHere(r, drum) || (!r.passes && isHere(r.proposed, drum)) ? [item] : [],
      ),
    );
  }

  happens(act: Act): Taken {
    if ('receipt' in act && act.receipt >= this.#lines.length) return 'not-tried';
    const taken = this.#do(act);
    if (taken === 'done') {
      this.#withdraw();
      for (const receipt of this.#lines.keys()) this.#latch(receipt);
    }
    return taken;
  }

  #do(act: Act): Taken {
    switch (act.kind) {
      case 'announce':
        if (this.#line(act.receipt).isAnnounced) return 'not-tried';
        this.#readsDifferently(act.receipt);
        return this.#changeLine(act.receipt, { isAnnounced: true });
      case 'bundle':
        return this.#take(act.serial, act.bundle);
      case 'grow':
        return this.#grow(act.receipt);
      case 'lift':
        return this.#lift(act.receipt);
      case 'reject':
        return this.#reject(act.receipt, act.drum);
      case 'cancel':
        if (!this.#mayClose(act.receipt)) return 'not-tried';
        return this.#changeLine(act.receipt, { isClosed: true });
      case 'split':
        return this.#split(act.receipt);
      case 'answer': {
        if (this.#line(act.receipt).isClosed || !this.#owes(act.receipt)) return 'not-tried';
        return this.#answer(act.receipt);
      }
      case 'check-cause':
        return this.#explain(act.item);
      default: {
        const result = this.#results.get(act.item);
        return result === undefined ? 'not-tried' : this.#decide(act, result);
      }
    }
  }

  #take(serial: number, bundle: number): Taken {
    const taken = this.#taken[serial];
    if (taken === undefined || taken.has(bundle)) return 'not-tried';
    taken.add(bundle);
    for (const [i, item] of this.about.items.entries()) {
      if (item.kind !== 'run' || item.serial !== serial || item.bundle !== bundle) continue;
      this.#results.set(i, {
        ...this.#home(item),
        passes: item.passes,
        isRefused: false,
        isRefusalVoid: false,
        hasCause: false,
        wasMoved: false,
        proposed: null,
        isWithdrawn: false,
      });
    }
    return 'done';
  }

  /** Where a drum is now that was scanned as one of this receipt. */
  #home({ receipt, drum }: Place): Place {
    const { parts } = this.#line(receipt);
    if (parts === null) return { receipt, drum };
    return drum === 0
      ? this.#home({ receipt: parts[0], drum: 0 })
      : this.#home({ receipt: parts[1], drum: drum - 1 });
  }

  #mayClose(receipt: number): boolean {
    const { isAnnounced, isClosed } = this.#line(receipt);
    return isAnnounced && !isClosed && !this.#hasMoves(receipt);
  }

  /** Results that were or may be moved there or away. */
  #hasMoves(receipt: number): boolean {
    return [...this.#results.values()].some(
      (r) =>
        (r.wasMoved || r.proposed !== null) && [r, r.proposed].some((p) => p?.receipt === receipt),
    );
  }

  #split(receipt: number): Taken {
    const line = this.#line(receipt);
    if (!this.#mayClose(receipt) || line.drums < 2) return 'not-tried';
    if (line.rejected.size > 0) return 'refused';
    const here = [...this.#results].filter(([, r]) => r.receipt === receipt);
    const isContradicted = this.#unlatched(receipt) === 'does-not-conform';
    const failed = new Set(here.flatMap(([i, r]) => (r.passes ? [] : [i])));
    const isDoubted = isContradicted || line.hadStop || failed.size > 0;
    const source: Source = { isDoubted, failed, answer: null };
    const sources = new Map([...line.sources, [receipt, source]]);
    const first = this.#lines.length;
    for (const drums of [1, line.drums - 1]) {
      this.#lines.push({ ...NEW_LINE, isAnnounced: true, drums, sources });
    }
    const parts = [first, first + 1] as const;
    this.#changeLine(receipt, { isClosed: true, isContradicted, parts });
    // What was signed of the results names the receipt they were of.
    this.#readsDifferently(receipt);
    for (const [i] of here) {
      const result = this.#results.get(i) as Result;
      this.#results.set(i, { ...result, ...this.#home(result) });
    }
    return 'done';
  }

  /**
   * True while a part waits for who answers for what it came of: that was in doubt when it was split, or a fail was measured of
   * it before and is known of another part by now. All is measured before anything is split.
   */
  #owes(receipt: number): boolean {
    const { sources, answers } = this.#line(receipt);
    const shown = [...answers, ...[...sources.values()].flatMap(({ answer }) => answer ?? [])];
    return [...sources].some(([source, { isDoubted, failed, answer }]) => {
      const isAnswered = (item: number) =>
        answer !== null && shown.some((fails) => fails.get(source)?.has(item));
      const isNews = (item: number) => !failed.has(item) && !isAnswered(item);
      return (isDoubted && answer === null) || this.#failsBeside(receipt, source).some(isNews);
    });
  }

  #failsBeside(receipt: number, source: number): number[] {
    const isBeside = (r: Result) =>
      r.receipt !== receipt && this.#line(r.receipt).sources.has(source);
    return [...this.#results].flatMap(([i, r]) => (!r.passes && isBeside(r) ? [i] : []));
  }

  /** What is shown is everything by now; what comes later asks for another answer. */
  #answer(receipt: number): Taken {
    const { sources, answers } = this.#line(receipt);
    const shown: Shown = new Map(
      [...sources.keys()].map((source) => [source, new Set(this.#failsBeside(receipt, source))]),
    );
    const answered = [...sources].map(
      ([id, source]) => [id, { ...source, answer: source.answer ?? shown }] as const,
    );
    return this.#changeLine(receipt, {
      sources: new Map(answered),
      answers: [...answers, shown],
    });
  }

  /** Voids what was signed of the results of a receipt that nobody had announced. */
  #readsDifferently(receipt: number): void {
    for (const [i, result] of this.#results) {
      if (result.receipt !== receipt) continue;
      const isRefusalVoid = result.isRefused;
      this.#results.set(i, { ...result, hasCause: false, isRefusalVoid });
    }
  }

  /** What was signed of its results is of other things; what moved one there or away may be void: that is left open. */
  #grow(receipt: number): Taken {
    const line = this.#line(receipt);
    if (!this.#mayClose(receipt)) return 'not-tried';
    return this.#changeLine(receipt, { drums: line.drums + 1 });
  }

  #lift(receipt: number): Taken {
    const { isAnnounced, isStopped, isClosed } = this.#line(receipt);
    if (!isAnnounced || isClosed) return 'not-tried';
    if (!isStopped || this.#unlatched(receipt) === 'does-not-conform') return 'refused';
    return this.#changeLine(receipt, { isStopped: false, isStoppedForGood: false });
  }

  #reject(receipt: number, drum: number): Taken {
    const { isAnnounced, drums, rejected, isClosed } = this.#line(receipt);
    if (!isAnnounced || isClosed || drum >= drums) return 'not-tried';
    if (rejected.has(drum)) return 'refused';
    return this.#changeLine(receipt, { rejected: new Set([...rejected, drum]) });
  }

  #explain(check: number): Taken {
    const item = this.about.items[check];
    if (item?.kind !== 'check' || !this.#isTaken(item)) return 'not-tried';
    if (item.passes || this.#explained.has(check)) return 'refused';
    this.#explained.add(check);
    return 'done';
  }

  #decide(
    act: Extract<Act, { readonly item: number }> & { kind: Exclude<Act['kind'], 'check-cause'> },
    result: Result,
  ): Taken {
    const change = (to: Partial<Result>): Taken => {
      this.#results.set(act.item, { ...result, ...to });
      return 'done';
    };
    switch (act.kind) {
      case 'refuse':
        if (result.proposed !== null || result.hasCause) return 'not-tried';
        if (this.#line(result.receipt).isClosed) return 'not-tried';
        if (result.isRefused && !result.isRefusalVoid) return 'refused';
        // Its withdrawal has to arrive, and until then the receipt does not conform.
        this.#doubt(result.receipt);
        return change({ isRefused: true, isRefusalVoid: false });
      case 'cause':
        if (result.proposed !== null || result.isRefused) return 'not-tried';
        if (!this.#line(result.receipt).isAnnounced) return 'not-tried';
        if (this.#line(result.receipt).isClosed) return 'not-tried';
        return result.passes || result.hasCause ? 'refused' : change({ hasCause: true });
      case 'propose': {
        const { isAnnounced, drums, isClosed } = this.#line(act.receipt);
        if (this.#line(result.receipt).isClosed) return 'not-tried';
        if (result.isRefused || result.proposed !== null || act.drum >= drums) return 'not-tried';
        if (result.isWithdrawn) return 'not-tried';
        if (!isAnnounced || isClosed) return 'refused';
        if (result.receipt === act.receipt && result.drum === act.drum) return 'not-tried';
        return change({ proposed: { receipt: act.receipt, drum: act.drum } });
      }
      case 'attribute':
        if (result.proposed === null) return 'not-tried';
        // Nor does the receipt it comes to before its withdrawal at the old place has arrived.
        this.#doubt(result.proposed.receipt);
        return change({ ...result.proposed, proposed: null, hasCause: false, wasMoved: true });
      case 'decline':
        return result.proposed === null ? 'not-tried' : change({ proposed: null });
    }
  }

  /** Takes a receipt from *conforms* for a moment. */
  #doubt(receipt: number): void {
    if (this.#line(receipt).conforms) {
      this.#changeLine(receipt, { conforms: false, isStopped: true, hadStop: true });
    }
  }

  /** What a confirmed failed check takes out stays out, whatever is learned later. */
  #withdraw(): void {
    for (const [i, result] of this.#results) {
      if (result.passes && this.#bracket(i) === 'withdrawn') {
        this.#results.set(i, { ...result, isWithdrawn: true });
      }
    }
  }

  /** Any way from *conforms* is a stop, which latches. */
  #latch(receipt: number): void {
    const { conforms, isStopped } = this.#line(receipt);
    const says = this.#unlatched(receipt) === 'conforms';
    if (conforms && !says)
      this.#changeLine(receipt, { conforms: false, isStopped: true, hadStop: true });
    else if (says && !isStopped) this.#changeLine(receipt, { conforms: true });
    if (this.#line(receipt).isStopped && this.#unlatched(receipt) === 'does-not-conform') {
      this.#changeLine(receipt, { isStoppedForGood: true });
    }
  }

  #unlatched(receipt: number): ModelOutcome {
    const line = this.#line(receipt);
    const { drums, rejected, isClosed } = line;
    if (!line.isAnnounced) return 'incomplete';
    if (line.isContradicted) return 'does-not-conform';
    const all = [...this.#results.values()];
    const here = [...this.#results].filter(([, r]) => r.receipt === receipt);
    // A cause is signed of the container that it was measured on: it explains nothing of the one that is proposed.
    const isContrary = (r: Result) =>
      (contradicts(r) && r.receipt === receipt) || (!r.passes && r.proposed?.receipt === receipt);
    if (all.some(isContrary)) return 'does-not-conform';
    if (rejected.size > 0) return 'does-not-conform';
    let isCovered = true;
    for (const drum of Array(drums).keys()) {
      const passes = here.filter(([, r]) => r.drum === drum && r.passes && !r.isRefused);
      const brackets = passes.map(([i, r]) => (r.isWithdrawn ? 'withdrawn' : this.#bracket(i)));
      if (brackets.includes('closed')) continue;
      if (brackets.includes('withdrawn')) return 'does-not-conform';
      isCovered = false;
    }
    // A refusal that is void is to be made once more.
    if (isClosed) return 'incomplete';
    const isHeldBack = here.some(([, r]) => r.isRefusalVoid || (r.isWithdrawn && !r.isRefused));
    const isUnowned = all.some((r) => contradicts(r) && !this.#line(r.receipt).isAnnounced);
    const isDoubted = here.some(([, r]) => r.proposed !== null);
    const isComplete = isCovered && !isHeldBack && !isUnowned && !isDoubted && this.#isHeard();
    return isComplete && !this.#owes(receipt) ? 'conforms' : 'incomplete';
  }

  /** By the checks of its handheld around it, of those that are known (table in docs/performance.md). */
  #bracket(run: number): Bracket {
    if (!this.about.areChecksJudged) return 'closed';
    const item = this.about.items[run] as Item;
    const known = [...this.about.items.entries()]
      .filter(([, i]) => i.serial === item.serial && this.#isTaken(i))
      .sort(([, a], [, b]) => a.bundle - b.bundle);
    const place = known.findIndex(([i]) => i === run);
    const isCheck = ([, i]: readonly [number, Item]) => i.kind === 'check';
    const before = known.slice(0, place).filter(isCheck).reverse();
    const after = known.slice(place + 1).filter(isCheck);
    const isUsable = before[0]?.[1].passes ?? false;
    const isInFailure = before[0]?.[1].passes === false;
    const failed = failedUpTo(after) + (isInFailure ? failedUpTo(before) : 0);
    if (failed > 1) return 'withdrawn';
    const [first, second] = after;
    if (!isUsable || first === undefined) return 'open';
    const [check, { passes }] = first;
    return passes || (second !== undefined && this.#explained.has(check)) ? 'closed' : 'open';
  }

  /** Every handheld of the dock synced, and nothing is missing before what it brought. */
  #isHeard(): boolean {
    return this.#taken.every((bundles, serial) => {
      const last = Math.max(...bundles);
      const isMissing = (i: Item) =>
        i.serial === serial && i.bundle < last && !bundles.has(i.bundle);
      return bundles.size > 0 && !this.about.items.some(isMissing);
    });
  }

  #isTaken({ serial, bundle }: Item): boolean {
    return this.#taken[serial]?.has(bundle) ?? false;
  }

  #line(receipt: number): Line {
    const line = this.#lines[receipt];
    if (line === undefined) throw new Error(`there is no receipt ${receipt}`);
    return line;
  }

  #changeLine(receipt: number, to: Partial<Line>): 'done' {
    this.#lines[receipt] = { ...this.#line(receipt), ...to };
    return 'done';
  }
}

function contradicts({ passes, hasCause }: Result): boolean {
  return !passes && !hasCause;
}

/** Checks in a row that failed, from the nearest on. */
function failedUpTo(checks: readonly (readonly [number, Item])[]): number {
  const passed = checks.findIndex(([, { passes }]) => passes);
  return passed === -1 ? checks.length : passed;
}
