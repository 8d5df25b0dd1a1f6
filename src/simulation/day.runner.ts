import { rename, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { setTimeout } from 'node:timers/promises';
import { formatInstant, type Instant } from '../formats/instant.js';
import type { Method, SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import { askGateway, postBundle } from './gateway-api.client.js';
import type { SimulatedInstrument, SyncedBundle } from './instrument.js';
import type { Ledger } from './journal.files.js';
import type { WorldTruth } from './judge.js';
import type { DrumPhase, MeasuredResult, Story, StoryReceipt, StoryStep } from './story.js';

export interface DaySetup {
  readonly story: Story;
  readonly site: SiteFolder;
  readonly clock: Clock;
  readonly instruments: ReadonlyMap<string, SimulatedInstrument>;
  /** Instruments that sync over HTTP; the others write into the watched folder. */
  readonly overHttp: ReadonlySet<string>;
  readonly gatewayUrl: string;
  readonly watchDirectory: string;
  readonly bundleKey: string;
  readonly statementKey: string;
  readonly erp: Ledger;
  readonly receivedAt: Instant;
  /** How often a sync PC tries before it gives up; as the demo's when left out. */
  readonly handOverAttemptsMax?: number;
  /** Ends the day where it stands. */
  readonly signal: AbortSignal;
  readonly say: (text: string) => void;
}

/** Longest the whole day may spend waiting for the stand-in ERP. */
const WAIT_MAX_MS = 35_000;
const POLL_MS = 100;

/** Lives a story's day and keeps the list of what really happened, for the judge. */
export class SimulatedDay {
  readonly measured: MeasuredResult[] = [];
  readonly drums = new Map<string, DrumPhase[]>();
  /** What the story waited for in vain. */
  readonly problems: string[] = [];
  #waitingEnds = Number.POSITIVE_INFINITY;
  readonly #receiptOf = new Map<string, StoryReceipt>();

  constructor(readonly setup: DaySetup) {
    const from = formatInstant(setup.receivedAt);
    for (const receipt of setup.story.receipts) {
      for (const drum of receipt.drums) {
        this.drums.set(drum.label, [{ from, holds: drum.holds }]);
        this.#receiptOf.set(drum.label, receipt);
      }
    }
  }

  get truth(): WorldTruth {
    return { receipts: this.setup.story.receipts, measured: this.measured, drums: this.drums };
  }

  /** Throws when the signal ends it or a bundle is not taken. */
  async run(): Promise<void> {
    this.#waitingEnds = performance.now() + WAIT_MAX_MS;
    for (const step of this.setup.story.steps) {
      this.setup.signal.throwIfAborted();
      await this.#live(step);
    }
  }

  async #live(step: StoryStep): Promise<void> {
    switch (step.do) {
      case 'say':
        return this.setup.say(step.text);
      case 'check':
        this.#instrument(step.serial).performanceCheck(this.setup.clock.now());
        return;
      case 'measure':
        return this.#measure(step);
      case 'measure-chosen':
        for (const drum of await this.#chosenDrums(step.receipt)) {
          this.#measure({ do: 'measure', serial: step.serial, drum, operator: step.operator });
        }
        return;
      case 'sync':
        return this.#sync(step);
      case 'change':
        this.#phases(step.drum).push({ from: this.#now(), holds: step.holds });
        return;
      case 'wait-margin':
        return this.#pause(this.setup.site.limits.syncMarginMs + 200);
      case 'wait-released':
        return this.#waitFor(
          `release of ${step.receipt}`,
          () => this.#usage(step.receipt) === 'released',
        );
      case 'wait-blocked':
        return this.#waitFor(
          `block of ${step.receipt}`,
          () => this.#usage(step.receipt) === 'blocked',
        );
      case 'wait-issued':
        return this.#waitFor(`stock issue of ${step.receipt}`, () =>
          this.setup.erp.books.issues.some((issue) => issue.receiptId === step.receipt),
        );
    }
  }

  #measure(step: Extract<StoryStep, { do: 'measure' }>): void {
    const label = step.presents ?? step.drum;
    const receipt = this.#receipt(label);
    const inside = this.#phases(step.drum).at(-1) as DrumPhase;
    const method = this.#method(receipt.material);
    const result = this.#instrument(step.serial).measure({
      substance: inside.holds,
      receiptScan: receipt.scanText,
      containerScan: label,
      lot: receipt.siteLot,
      method,
      operatorId: step.operator,
      now: this.setup.clock.now(),
    });
    this.measured.push({
      resultId: result.resultId,
      serial: step.serial,
      runNumber: result.runNumber,
      receiptId: receipt.id,
      receiptScan: receipt.scanText,
      containerScan: label,
      material: method.material,
      lot: receipt.siteLot,
      methodId: method.id,
      methodVersion: method.version,
      operatorId: step.operator,
      measuredAt: result.measuredAt,
      decision: result.decision,
      score: result.score?.value ?? null,
      threshold: result.score?.threshold ?? null,
      drum: step.drum,
      refusedByLims: step.refusedByLims ?? false,
      fate: 'unsynced',
      acknowledgedAt: null,
    });
  }

  async #sync(step: Extract<StoryStep, { do: 'sync' }>): Promise<void> {
    const bundle = this.#instrument(step.serial).sync(this.setup.clock.now());
    const fate = step.how === 'lost' ? 'lost' : step.how === 'spoilt' ? 'spoilt' : 'arrived';
    if (step.how !== 'lost') {
      const bytes = step.how === 'spoilt' ? spoil(bundle) : bundle.bytes;
      await this.#handOver(step.serial, bytes, bundle.bundleId);
      if (step.how === 'twice')
        await this.#handOver(step.serial, bytes, `${bundle.bundleId}-again`);
    }
    const ids = new Set(bundle.resultIds);
    const isAcknowledged = fate === 'arrived' && this.setup.overHttp.has(step.serial);
    const acknowledgedAt = isAcknowledged ? this.#now() : null;
    for (const result of this.measured) {
      if (!ids.has(result.resultId)) continue;
      result.fate = fate;
      result.acknowledgedAt = acknowledgedAt;
    }
  }

  async #handOver(serial: string, bytes: Uint8Array, name: string): Promise<void> {
    const { setup } = this;
    if (setup.overHttp.has(serial)) {
      const idempotencyKey = name;
      const bundle = { bytes, key: setup.bundleKey, idempotencyKey };
      await postBundle(setup.gatewayUrl, bundle, setup.handOverAttemptsMax);
      return;
    }
    const path = join(setup.watchDirectory, `${name}.json`);
    await writeFile(`${path}.part`, bytes);
    await rename(`${path}.part`, path);
  }

  /** The sampling list as the dock sees it: the containers the statement asks for. */
  async #chosenDrums(receiptId: string): Promise<string[]> {
    const { body } = await askGateway(this.setup.gatewayUrl, {
      key: this.setup.statementKey,
      path: `/api/v1/receipts/${encodeURIComponent(receiptId)}/statement`,
    });
    const containers = (body as { containers?: unknown } | null)?.containers;
    const labels = (Array.isArray(containers) ? containers : []).flatMap((container: unknown) => {
      const { label, required } = container as { label?: unknown; required?: unknown };
      return required === true && typeof label === 'string' ? [label] : [];
    });
    const wanted = this.setup.story.receipts.find((r) => r.id === receiptId)?.sampled;
    if (labels.length !== wanted) {
      this.problems.push(`the plan chose ${labels.length} drums of ${receiptId}, not ${wanted}`);
    }
    return labels;
  }

  async #waitFor(what: string, isThere: () => boolean): Promise<void> {
    while (!isThere()) {
      if (performance.now() > this.#waitingEnds) {
        this.problems.push(`${WAIT_MAX_MS / 1000} s after the day began there was no ${what}`);
        return;
      }
      await this.#pause(POLL_MS);
    }
  }

  async #pause(ms: number): Promise<void> {
    await setTimeout(ms, undefined, { signal: this.setup.signal });
  }

  #usage(receiptId: string): string {
    return this.setup.erp.books.receipts.get(receiptId)?.usage ?? 'none';
  }

  #instrument(serial: string): SimulatedInstrument {
    return found(this.setup.instruments.get(serial), `instrument ${serial}`);
  }

  #receipt(label: string): StoryReceipt {
    return found(this.#receiptOf.get(label), `receipt of ${label}`);
  }

  #phases(drum: string): DrumPhase[] {
    return found(this.drums.get(drum), `drum ${drum}`);
  }

  #method(material: string): Method {
    const method = this.setup.site.methods.find((m) => m.material === material);
    return found(method, `method for ${material}`);
  }

  #now(): string {
    return formatInstant(this.setup.clock.now());
  }
}

/** What a faulty transfer does: one value changes, the manifest does not. */
function spoil(bundle: SyncedBundle): Uint8Array {
  const results = bundle.document.results.map((result, i) =>
    i === 0 ? { ...result, lot: `${result.lot ?? ''}X` } : result,
  );
  return Buffer.from(JSON.stringify({ ...bundle.document, results }));
}

function found<T>(value: T | undefined, what: string): T {
  if (value === undefined) throw new Error(`the story names a ${what} that it does not have`);
  return value;
}
