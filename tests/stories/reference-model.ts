/**
 * What the rules of release say of a few receipt lines of one dock, written a second time and as short as they can
 * be said, without any of the service's code: the service is compared with it, event by event.
 */

export interface ModelRun {
  readonly receipt: number;
  readonly drum: number;
  readonly passes: boolean;
}

export type ModelEvent =
  | { readonly kind: 'announce'; readonly receipt: number }
  /** Bundle `bundle` of handheld `serial`, its runs numbered on from the bundle before. */
  | { readonly kind: 'bundle'; readonly serial: number; readonly bundle: number };

export interface ModelCase {
  /** Drums of each receipt line. */
  readonly drums: readonly number[];
  /** By handheld, in the order in which it packed them. Every handheld of the dock is one of them. */
  readonly bundles: readonly (readonly (readonly ModelRun[])[])[];
}

export type ModelOutcome = 'conforms' | 'does-not-conform' | 'incomplete';

export function eventsOf({ drums, bundles }: ModelCase): ModelEvent[] {
  return [
    ...drums.map((_, receipt): ModelEvent => ({ kind: 'announce', receipt })),
    ...bundles.flatMap((list, serial) =>
      list.map((_, bundle): ModelEvent => ({ kind: 'bundle', serial, bundle })),
    ),
  ];
}

export class ReferenceModel {
  readonly #happened: ModelEvent[] = [];
  readonly #conformed = new Set<number>();
  readonly #stopped = new Set<number>();

  constructor(readonly about: ModelCase) {}

  happens(event: ModelEvent): void {
    this.#happened.push(event);
    for (const receipt of this.about.drums.keys()) {
      const says = this.#unlatched(receipt);
      if (this.#conformed.has(receipt) && says !== 'conforms') this.#stopped.add(receipt);
      if (says === 'conforms') this.#conformed.add(receipt);
    }
  }

  /** null while nobody announced it. */
  says(receipt: number): { readonly outcome: ModelOutcome; readonly isStopped: boolean } | null {
    if (!this.#isAnnounced(receipt)) return null;
    const says = this.#unlatched(receipt);
    const isStopped = this.#stopped.has(receipt);
    return { outcome: says === 'conforms' && isStopped ? 'incomplete' : says, isStopped };
  }

  /** Of each of its drums the runs that speak of it. */
  speaksOf(receipt: number): readonly (readonly ModelRun[])[] {
    return [...Array(this.about.drums[receipt] ?? 0).keys()].map((drum) =>
      this.#runs().filter((r) => r.receipt === receipt && r.drum === drum),
    );
  }

  #unlatched(receipt: number): ModelOutcome {
    if (!this.#isAnnounced(receipt)) return 'incomplete';
    const runs = this.#runs();
    if (runs.some((r) => r.receipt === receipt && !r.passes)) return 'does-not-conform';
    const drums = [...Array(this.about.drums[receipt] ?? 0).keys()];
    const isCovered = drums.every((drum) =>
      runs.some((r) => r.receipt === receipt && r.drum === drum && r.passes),
    );
    const isUnowned = runs.some((r) => !r.passes && !this.#isAnnounced(r.receipt));
    const isHeard = this.about.bundles.every((_, serial) => this.#taken(serial).length > 0);
    const hasGap = this.about.bundles.some((_, serial) => {
      const taken = this.#taken(serial);
      return Math.max(-1, ...taken) + 1 !== taken.length;
    });
    return isCovered && !isUnowned && isHeard && !hasGap ? 'conforms' : 'incomplete';
  }

  #isAnnounced(receipt: number): boolean {
    return this.#happened.some((e) => e.kind === 'announce' && e.receipt === receipt);
  }

  #taken(serial: number): number[] {
    return this.#happened.flatMap((e) =>
      e.kind === 'bundle' && e.serial === serial ? [e.bundle] : [],
    );
  }

  #runs(): ModelRun[] {
    return this.about.bundles.flatMap((list, serial) =>
      this.#taken(serial).flatMap((bundle) => list[bundle] ?? []),
    );
  }
}
