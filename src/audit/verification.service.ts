import type { Instant } from '../formats/instant.js';
import { msBetween } from '../formats/instant.js';
import type { Reader } from '../storage/database.js';
import type { TrailCheckpointRow } from '../storage/tables.js';
import { headOf } from './chain-head.js';
import { readCheckpoint, type SignedCheckpoint } from './checkpoint.js';
import { rootOfEdge } from './merkle.js';
import type { PublicTrailKey } from './signing-key.js';
import { type SealedEntry, type TrailEntry, trailEntryOf } from './trail-entry.js';
import {
  awaitsFirstStart,
  checkpointsBetween,
  lastHeardOf,
  RESTORED,
  sealedPages,
  trailHeadOf,
  unsealedPages,
} from './trail-source.store.js';
import { type TrailEnd, type TrailReport, TrailVerifier } from './verify-trail.js';

export interface Comparing {
  readonly keys: readonly PublicTrailKey[];
  /** Checkpoints kept outside, by size. */
  readonly outside: readonly SignedCheckpoint[];
  /** Files among those kept outside that cannot be read. */
  readonly unreadable?: readonly string[];
}

/** Takes the parts of a trail in the order in which they are judged. */
export interface TrailReading {
  entry(sealed: SealedEntry): void;
  checkpoint(signed: SignedCheckpoint): void;
  unreadable(text: string): void;
  unsealed(entry: TrailEntry, waitedMs: number): void;
  /** After every page, so that whoever writes it out can wait for what it writes to. */
  pause?(): Promise<void>;
}

/** Reads the trail of a site from one view of a database: entries, and every checkpoint where it ends. */
export async function readTrail(
  reader: Reader,
  site: string,
  into: TrailReading,
): Promise<TrailEnd | null> {
  const checkpoints = await passSealed(reader, site, null, into);
  await checkpoints.rest();
  const heardAt = await lastHeardOf(reader);
  const isNotStarted = await awaitsFirstStart(reader);
  for await (const rows of unsealedPages(reader, site)) {
    for (const row of rows) {
      // Written when nobody worked on it: the last heartbeat is of the life that the backup was made of.
      const isWaitingForStart = isNotStarted && row.action === RESTORED;
      into.unsealed(trailEntryOf(row), isWaitingForStart ? 0 : waitedMs(row.at, heardAt));
    }
    await into.pause?.();
  }
  return endOf(await trailHeadOf(reader, site));
}

/** As `readTrail`, the sealed entries up to one, and the checkpoints that cover no more. */
export async function readSealed(
  reader: Reader,
  site: string,
  upTo: number,
  into: TrailReading,
): Promise<void> {
  const checkpoints = await passSealed(reader, site, upTo, into);
  checkpoints.pass(upTo + 1);
}

async function passSealed(
  reader: Reader,
  site: string,
  upTo: number | null,
  into: TrailReading,
): Promise<DueCheckpoints> {
  const checkpoints = new DueCheckpoints(reader, site, into);
  for await (const rows of sealedPages(reader, site, upTo)) {
    const last = Number(rows.at(-1)?.sequence);
    await checkpoints.load(last + 1);
    for (const row of rows) {
      checkpoints.pass(Number(row.sequence));
      into.entry({ entry: trailEntryOf(row), hash: row.hash });
    }
    await into.pause?.();
  }
  return checkpoints;
}

/** Judges the trail of a site of a database. */
export async function verifyDatabase(
  reader: Reader,
  site: string,
  comparing: Comparing,
): Promise<TrailReport> {
  const judging = new Judging(site, comparing);
  const end = await readTrail(reader, site, judging);
  return judging.report(end);
}

/** Feeds a verifier, and what is kept outside at its place. */
export class Judging implements TrailReading {
  readonly #verifier: TrailVerifier;
  readonly #outside: SignedCheckpoint[];

  /** @param upTo last entry that will be read; null for all */
  constructor(
    site: string,
    { keys, outside, unreadable }: Comparing,
    private readonly upTo: number | null = null,
  ) {
    this.#verifier = new TrailVerifier(site, keys);
    this.#outside = outside.filter(({ checkpoint }) => checkpoint.site === site);
    for (const name of unreadable ?? []) {
      this.#verifier.unreadableOutside(`${name} among the checkpoints outside is none`);
    }
  }

  entry(sealed: SealedEntry): void {
    this.#compareOutside(this.#verifier.place);
    this.#verifier.entry(sealed);
  }

  checkpoint(signed: SignedCheckpoint): void {
    this.#compareOutside(signed.checkpoint.size - 1);
    this.#verifier.checkpoint(signed, 'trail');
  }

  unreadable(text: string): void {
    this.#verifier.unreadable(text);
  }

  /** How many entries were judged. */
  get place(): number {
    return this.#verifier.place;
  }

  /** Root over the entries that were judged, hex. */
  get root(): string {
    return this.#verifier.root;
  }

  unsealed(entry: TrailEntry, waited: number): void {
    this.#verifier.unsealed({ entry, hash: null }, waited);
  }

  report(end: TrailEnd | null): TrailReport {
    this.#compareOutside(this.upTo === null ? Number.MAX_SAFE_INTEGER : this.upTo + 1);
    for (const signed of this.#outside) this.#verifier.beyond(signed);
    return this.#verifier.report(end);
  }

  #compareOutside(size: number): void {
    while ((this.#outside[0]?.checkpoint.size ?? Number.POSITIVE_INFINITY) <= size) {
      const signed = this.#outside.shift();
      if (signed !== undefined) this.#verifier.checkpoint(signed, 'outside');
    }
  }
}

/** Checkpoints of the table, handed on when as many entries went before as they cover. */
class DueCheckpoints {
  #due: TrailCheckpointRow[] = [];
  #loaded = Number.NEGATIVE_INFINITY;

  constructor(
    private readonly reader: Reader,
    private readonly site: string,
    private readonly into: TrailReading,
  ) {}

  async load(upTo: number): Promise<boolean> {
    const after = this.#loaded === Number.NEGATIVE_INFINITY ? -1 : this.#loaded;
    const rows = await checkpointsBetween(this.reader, this.site, { after, upTo });
    this.#due.push(...rows);
    this.#loaded = rows.at(-1)?.size ?? this.#loaded;
    return rows.length > 0;
  }

  pass(place: number): void {
    while ((this.#due[0]?.size ?? Number.POSITIVE_INFINITY) <= place) {
      const row = this.#due.shift();
      if (row === undefined) return;
      const signed = signedOf(row);
      if (signed === null) this.into.unreadable(`the checkpoint of size ${row.size} is none`);
      else this.into.checkpoint(signed);
    }
  }

  async rest(): Promise<void> {
    do this.pass(Number.MAX_SAFE_INTEGER);
    while (await this.load(Number.MAX_SAFE_INTEGER));
  }
}

function signedOf({ document, size }: TrailCheckpointRow): SignedCheckpoint | null {
  try {
    const signed = readCheckpoint(JSON.parse(document));
    return signed?.checkpoint.size === size ? signed : null;
  } catch {
    // A row that somebody has written into.
    return null;
  }
}

function waitedMs(at: Instant, heardAt: Instant | null): number {
  return heardAt === null ? 0 : msBetween(at, heardAt);
}

function endOf(head: Awaited<ReturnType<typeof trailHeadOf>>): TrailEnd | null {
  if (head === undefined) return null;
  const { size, hash } = head;
  try {
    return { size, head: hash, root: rootOfEdge(headOf(head).edge).toString('hex') };
  } catch {
    // Peaks that are no JSON: they agree with nothing.
    return { size, head: hash, root: '' };
  }
}
