import { addMs, formatInstant, parseTimestamp } from '../formats/instant.js';
import type { Clock } from '../storage/clock.js';
import { PERMITTING, type ReceiptState, receiptState, type StoredMessage } from './books.js';
import type { Ledger } from './journal.files.js';
import { decideRelease, type ReleaseDecision } from './release-rule.js';
import { type GatewayAddress, pullStatement } from './statement-pull.client.js';

export interface ReleaseOptions {
  readonly clock: Clock;
  readonly environment: string;
  /** Time between releasing and issuing stock. */
  readonly holdingMs: number;
}

/**
 * The stand-in ERP's own doing: applies messages to its receipt states, releases by the published rule after
 * pulling the statement, issues stock after the holding time and another pull, blocks on anything else.
 * A push is only a hint to pull.
 */
export class ErpReleases {
  #gateway: GatewayAddress | null = null;
  readonly #busy = new Set<string>();

  constructor(
    readonly ledger: Ledger,
    readonly options: ReleaseOptions,
  ) {}

  setGateway(gateway: GatewayAddress): void {
    this.#gateway = gateway;
  }

  /** Applies a stored message, or keeps it when its receipt already shows the same or a higher revision. */
  apply(message: StoredMessage): void {
    const { ledger } = this;
    const claim = message.state;
    if (claim !== null) {
      const held = receiptState(ledger.books, claim.receiptId);
      if (claim.revision <= held.revision) {
        const reason = `revision ${claim.revision} is not above ${held.revision}`;
        ledger.record({ event: 'kept', at: this.#now(), number: message.number, reason });
        return;
      }
    }
    ledger.record({ event: 'applied', at: this.#now(), number: message.number });
    if (claim === null) return;
    const state = receiptState(ledger.books, claim.receiptId);
    if (claim.usageDecision === PERMITTING) {
      void this.consider(claim.receiptId);
    } else if (claim.usageDecision !== 'AWAITING' || state.usage === 'released') {
      this.#block(state, claim.revision, `message ${message.number} says ${claim.usageDecision}`);
    }
  }

  /** One round of the ERP's own schedule: pulls for every receipt it has heard of. */
  async round(): Promise<void> {
    for (const receiptId of [...this.ledger.books.receipts.keys()]) await this.consider(receiptId);
  }

  /** Pulls and acts on what the statement says now. Two looks at one receipt never run at once. */
  async consider(receiptId: string): Promise<void> {
    if (this.#gateway === null || this.#busy.has(receiptId)) return;
    this.#busy.add(receiptId);
    try {
      const askedAt = this.#now();
      const answer = await pullStatement(this.#gateway, receiptId);
      // State is read after the answer came: a stop may have arrived while it was on its way.
      const state = receiptState(this.ledger.books, receiptId);
      const decision = decideRelease(answer, {
        receiptId,
        environment: this.options.environment,
        highestSeen: state.highestSeen,
        now: this.options.clock.now(),
      });
      this.#act(state, decision, askedAt);
    } finally {
      this.#busy.delete(receiptId);
    }
  }

  #act(state: ReceiptState, decision: ReleaseDecision, askedAt: string): void {
    if (decision.kind === 'no-release') {
      if (decision.contradicted && state.usage === 'released') {
        this.#block(state, decision.revision, `pulled: ${decision.reason}`);
      }
      return;
    }
    const { receiptId } = state;
    if (state.usage !== 'released') {
      const { revision, containers } = decision;
      const at = this.#now();
      this.ledger.record({ event: 'released', at, askedAt, receiptId, revision, containers });
      return;
    }
    if (this.#isHolding(state)) return;
    const covered = new Set(decision.containers);
    const containers = state.releasedContainers.filter(
      (label) => covered.has(label) && !state.issuedContainers.includes(label),
    );
    if (containers.length === 0) return;
    const revision = decision.revision;
    const at = this.#now();
    this.ledger.record({ event: 'issued', at, askedAt, receiptId, revision, containers });
  }

  #isHolding(state: ReceiptState): boolean {
    const released = state.releasedAt === null ? null : parseTimestamp(state.releasedAt);
    if (released === null) return true;
    return this.options.clock.now() < addMs(released.instant, this.options.holdingMs);
  }

  #block(state: ReceiptState, revision: number, reason: string): void {
    if (state.usage === 'blocked') return;
    const { receiptId } = state;
    this.ledger.record({ event: 'blocked', at: this.#now(), receiptId, revision, reason });
  }

  #now(): string {
    return formatInstant(this.options.clock.now());
  }
}
