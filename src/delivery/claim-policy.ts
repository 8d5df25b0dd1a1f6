import type { Instant } from '../formats/instant.js';

/**
 * Most deliveries that one claim takes; only what is sent at once is claimed. Claims of one destination come one after
 * the other behind its row, so as many as have a place are taken by one.
 */
export const CLAIM_MAX = 64;
/** Of them *conforms* messages, whose receipts the claim waits for and holds. */
const CONFORMS_MAX = 8;
/** Stops that are taken at once beside what else leaves. */
export const STOPS_MAX = 8;

/** A due delivery with a built payload, as the claim found it. */
export interface ClaimCandidate {
  readonly id: string;
  readonly orderingKey: string;
  readonly seq: number;
  readonly dueAt: Instant;
  /** Contrary results pass waiting passes. */
  readonly isContrary: boolean;
  /** A *conforms*: waits for its receipt's results and for working stops. */
  readonly isConforms: boolean;
  /** Earlier deliveries of the key that neither went through nor were given up. */
  readonly aheadInKey: number;
  /** For a *conforms*: results and withdrawals of its receipt that are still on their way. */
  readonly aheadInReceipt: number;
  /** False when a stop is in force or a later statement exists (rule 21). */
  readonly isCurrent: boolean;
}

export interface Gate {
  readonly isPaused: boolean;
  readonly breaker: 'closed' | 'open' | 'half-open';
  readonly inFlight: number;
  readonly inFlightMax: number;
  /** Whole and broken tokens; a send takes one. */
  readonly tokens: number;
  /** A stop cannot get through here: no further *conforms* leaves (rule 22). */
  readonly hasFailingStop: boolean;
}

/**
 * Which of the due deliveries may leave now, at most `CLAIM_MAX`: contrary results first, then by due time;
 * one a key and only its first; a *conforms* only while it is current, with nothing of its receipt before
 * it and no stop failing. Stops do not come here, they have a slot of their own.
 */
export function chooseClaims(
  candidates: readonly ClaimCandidate[],
  gate: Gate,
): readonly ClaimCandidate[] {
  const room = roomOf(gate);
  if (room <= 0) return [];
  const takenKeys = new Set<string>();
  const chosen: ClaimCandidate[] = [];
  for (const candidate of [...candidates].sort(byUrgency)) {
    if (chosen.length >= room) break;
    if (candidate.aheadInKey > 0 || takenKeys.has(candidate.orderingKey)) continue;
    if (candidate.isConforms && !conformsMayLeave(candidate, gate)) continue;
    takenKeys.add(candidate.orderingKey);
    chosen.push(candidate);
  }
  return chosen;
}

/** How many may leave at once. */
export function roomOf(gate: Gate): number {
  if (gate.isPaused || gate.breaker === 'open') return 0;
  const free = Math.min(CLAIM_MAX, gate.inFlightMax - gate.inFlight, Math.floor(gate.tokens));
  return gate.breaker === 'half-open' ? Math.min(free, gate.inFlight === 0 ? 1 : 0) : free;
}

/** What was seen to be due, divided among claims in the order given. */
export function claimsOf<Seen extends { readonly barrier: 0 | 1 }>(
  seen: readonly Seen[],
): readonly (readonly Seen[])[] {
  const parts: Seen[][] = [];
  let conforms = 0;
  for (const one of seen) {
    const last = parts.at(-1);
    const isFull =
      last === undefined ||
      last.length >= CLAIM_MAX ||
      (one.barrier === 1 && conforms >= CONFORMS_MAX);
    if (isFull) parts.push([one]);
    else last.push(one);
    conforms = (isFull ? 0 : conforms) + one.barrier;
  }
  return parts;
}

function conformsMayLeave(candidate: ClaimCandidate, gate: Gate): boolean {
  return candidate.isCurrent && candidate.aheadInReceipt === 0 && !gate.hasFailingStop;
}

function byUrgency(a: ClaimCandidate, b: ClaimCandidate): number {
  if (a.isContrary !== b.isContrary) return a.isContrary ? -1 : 1;
  return a.dueAt - b.dueAt || a.seq - b.seq || (a.id < b.id ? -1 : 1);
}
