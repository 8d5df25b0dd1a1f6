import { type Instant, parseTimestamp } from '../formats/instant.js';

/**
 * The published release rule as a pulling ERP has to apply it: anything but a fresh exact *conforms* is no
 * release, and a release speaks of the listed covered containers only.
 */
export type ReleaseDecision =
  | { readonly kind: 'release'; readonly revision: number; readonly containers: readonly string[] }
  | {
      readonly kind: 'no-release';
      readonly reason: string;
      /** True when an authentic statement for this receipt says something else than conforms. */
      readonly contradicted: boolean;
      readonly revision: number;
    };

export interface PulledAnswer {
  /** HTTP status; 0 when no answer came. */
  readonly status: number;
  /** Parsed body, whatever it is. */
  readonly body: unknown;
}

export interface ReleaseQuestion {
  readonly receiptId: string;
  readonly environment: string;
  /** Highest revision any message about this receipt has stated. */
  readonly highestSeen: number;
  readonly now: Instant;
}

export function decideRelease(answer: PulledAnswer, question: ReleaseQuestion): ReleaseDecision {
  const statement = asObject(answer.body);
  if (answer.status !== 200 || statement === null)
    return refuse(`no statement, status ${answer.status}`);
  if (asObject(statement['receipt'])?.['receiptId'] !== question.receiptId) {
    return refuse('the statement speaks of another receipt');
  }
  if (statement['environment'] !== question.environment) {
    return refuse(
      `environment ${String(statement['environment'])}, expected ${question.environment}`,
    );
  }
  const revision = statement['revision'];
  if (typeof revision !== 'number' || revision < question.highestSeen) {
    return refuse(`revision ${String(revision)}, already heard of ${question.highestSeen}`);
  }
  if (statement['outcome'] !== 'conforms') {
    return refuse(`outcome ${String(statement['outcome'])}`, true, revision);
  }
  const until = statement['validUntil'];
  const validUntil = typeof until === 'string' ? parseTimestamp(until) : null;
  if (validUntil === null || validUntil.instant <= question.now) {
    return refuse(`valid until ${String(until)}, which is not ahead`);
  }
  const containers = coveredContainers(statement['containers']);
  if (containers.length === 0) return refuse('no covered container is listed');
  return { kind: 'release', revision, containers };
}

function refuse(reason: string, contradicted = false, revision = 0): ReleaseDecision {
  return { kind: 'no-release', reason, contradicted, revision };
}

function coveredContainers(value: unknown): string[] {
  if (!Array.isArray(value)) return [];
  return value.flatMap((item: unknown) => {
    const container = asObject(item);
    const label = container?.['label'];
    return container?.['state'] === 'covered' && typeof label === 'string' ? [label] : [];
  });
}

function asObject(value: unknown): Record<string, unknown> | null {
  return typeof value === 'object' && value !== null && !Array.isArray(value)
    ? (value as Record<string, unknown>)
    : null;
}
