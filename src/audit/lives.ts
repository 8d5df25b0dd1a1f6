import type { Checkpoint } from './checkpoint.js';
import type { TrailEntry } from './trail-entry.js';
import type { TrailRemark } from './trail-fault.js';

/** Action of the entry with which a database that was restored or copied begins another life (rule 28). */
const LIFE_BEGUN = 'instance.recovering';

/** A life of a database that began within a trail, and ended the one before it. */
export interface Life {
  readonly instance: string;
  readonly epoch: number;
  /** Entries that were sealed before it: those of the life that it goes on from. */
  readonly sealedBefore: number;
  /** How many of these the latest checkpoint kept outside covers that fits them. */
  readonly provenBefore: number;
  /** Number of the entry that says so. */
  readonly sequence: number;
  /** RFC 3339. */
  readonly at: string;
  readonly cause: string;
}

/** A life of which checkpoints are kept outside that cover more than this trail goes on from. */
export interface EndedLife {
  readonly epoch: number;
  /** The life that ended it. */
  readonly endedBy: Life;
  /** How many of its checkpoints cover entries that are not here, and the sizes and times (RFC 3339) of these. */
  readonly checkpoints: number;
  readonly sizes: { readonly from: number; readonly to: number };
  readonly times: { readonly from: string; readonly to: string };
  /** How many of them bear a signature by a key that the trail, or whoever verifies, names. */
  readonly signed: number;
}

/** A restore or copy that whoever verifies knows of, as `restoreName` writes it. */
export type KnownRestore = Pick<Life, 'epoch' | 'sealedBefore'>;

/** `EPOCH@ENTRIES`: the life that begins, and how many entries it goes on from; so no other life is excused by it. */
export function restoreName({ epoch, sealedBefore }: KnownRestore): string {
  return `${epoch}@${sealedBefore}`;
}

/** Reads what `restoreName` writes; null for any other text. */
export function readRestoreName(text: string): KnownRestore | null {
  const [, epoch, sealed] = /^(\d{1,10})@(\d{1,15})$/u.exec(text) ?? [];
  return epoch === undefined ? null : { epoch: Number(epoch), sealedBefore: Number(sealed) };
}

/** Lives that nothing but an entry of the trail itself says to have ended: who rewrites a trail may have written it. */
export function unexplainedLives(
  ended: readonly EndedLife[],
  known: readonly KnownRestore[],
): EndedLife[] {
  const names = new Set(known.map(restoreName));
  return ended.filter(({ endedBy }) => !names.has(restoreName(endedBy)));
}

/**
 * The life that an entry begins; null when it begins none.
 *
 * @param proven how many entries the latest checkpoint kept outside covers that fits
 */
export function lifeBegunBy(entry: TrailEntry, proven: number): Life | null {
  if (entry.action !== LIFE_BEGUN || entry.sequence === null) return null;
  const { epoch, sealed, cause } = readObject(entry.after);
  if (!isCount(epoch)) return null;
  const { sequence } = entry;
  // Without a number the entry itself is the first that is certainly of the new life.
  const sealedBefore = isCount(sealed) && sealed <= sequence ? sealed : sequence;
  return {
    instance: entry.subjectId,
    epoch,
    sealedBefore,
    provenBefore: Math.min(proven, sealedBefore),
    sequence,
    at: entry.at,
    cause: String(cause),
  };
}

/**
 * The life that ended the one of a checkpoint before what that covers. Then it covers entries that were lost, and cannot
 * fit what stands in their place; up to where the new life began it has to.
 */
export function lifeThatEnded(
  { instance, epoch, size }: Checkpoint,
  lives: readonly Life[],
): Life | null {
  const ending = lives.find(
    (life) => life.instance === instance && life.epoch > epoch && life.sealedBefore < size,
  );
  return ending ?? null;
}

/** Puts a checkpoint to those of its life. */
export function addEnded(
  ended: Map<number, EndedLife>,
  { epoch, size, time }: Checkpoint,
  endedBy: Life,
  isSigned: boolean,
): void {
  const before = ended.get(epoch);
  const { sizes, times } = before ?? {
    sizes: { from: size, to: size },
    times: { from: time, to: time },
  };
  ended.set(epoch, {
    epoch,
    endedBy: before?.endedBy ?? endedBy,
    checkpoints: (before?.checkpoints ?? 0) + 1,
    sizes: { from: Math.min(sizes.from, size), to: Math.max(sizes.to, size) },
    times: {
      from: time < times.from ? time : times.from,
      to: time > times.to ? time : times.to,
    },
    signed: (before?.signed ?? 0) + (isSigned ? 1 : 0),
  });
}

/** About no entry by number, so that a review of any range shows it: whether there was a restore no trail can tell. */
export function remarkOf({
  epoch,
  endedBy,
  checkpoints,
  sizes,
  times,
  signed,
}: EndedLife): TrailRemark {
  const { sealedBefore, provenBefore, sequence, at, cause } = endedBy;
  return {
    kind: 'life-ended',
    sequence: null,
    text: `life ${epoch} ended at entry ${sealedBefore}, where life ${endedBy.epoch} begins (entry ${sequence} of ${at}: ${cause}); ${checkpoints} checkpoints kept outside (${signed} signed by a key that is named here), of sizes ${sizes.from} to ${sizes.to}, ${times.from} to ${times.to}, cover entries ${sealedBefore} to ${sizes.to - 1} as they were in it, which are not here. If nobody put back or copied the database then, the trail was rewritten, from entry ${provenBefore} on at the earliest`,
  };
}

function readObject(text: string | null): Record<string, unknown> {
  try {
    const value: unknown = JSON.parse(text ?? 'null');
    return typeof value === 'object' && value !== null ? (value as Record<string, unknown>) : {};
  } catch {
    return {};
  }
}

function isCount(value: unknown): value is number {
  return Number.isSafeInteger(value) && (value as number) >= 0;
}
