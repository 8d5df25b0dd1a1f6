import type { Logger } from 'pino';
import type { Sha256 } from '../formats/canonical-json.js';
import type { Reader } from '../storage/database.js';
import type { BundleState } from '../storage/tables.js';
import { findBundle, findingsOfBundle } from './bundles.store.js';
import type { IncomingBundle, IntakeService } from './intake.service.js';
import {
  isSameFile,
  listWaitingFiles,
  lookAgain,
  prepareWatchedFolder,
  readWaitingFile,
  type Shelf,
  type ShelvedFile,
  shelve,
  type WaitingFile,
} from './watched-folder.files.js';

const POLL_EVERY_MS = 200;
/** A file is whole when size and time of change stood still this long. */
const STILL_FOR_MS = 400;
const FILES_A_ROUND_MAX = 500;
/** A file that could not be read or moved is left alone this long before it is tried again. */
const TRY_AGAIN_MS = 5_000;
/**
 * A file that is no bundle as it stands may be the beginning of one whose writer pauses: it is refused only when it
 * stood still this long.
 */
const UNREADABLE_STILL_FOR_MS = 30_000;
/** A writer that kept its file open goes on on the shelf: it is looked at after this long, then after twice as long … */
const SHELVED_FIRST_LOOK_MS = 1_000;
/** … until so long was waited. */
const SHELVED_LAST_LOOK_MS = 32_000;

interface Seen {
  readonly file: WaitingFile;
  readonly sinceMs: number;
  readonly notBeforeMs: number;
  /** It was read, and is no bundle as it stands. */
  readonly isUnreadable: boolean;
  /** Set once its bytes are committed; it is shelved when the bundle is settled. */
  readonly taken: { readonly intakeId: string; readonly sha256: Sha256 } | null;
}

interface Watched {
  readonly shelved: ShelvedFile;
  readonly waitedMs: number;
  readonly dueMs: number;
}

export interface WatchedFolderOptions {
  readonly directory: string;
  readonly site: string;
  readonly bytesMax: number;
  /** How long a file that is no bundle stands still before it is refused. */
  readonly unreadableStillForMs?: number;
}

/**
 * Takes bundles from a folder. A file stays in place until it is whole, its bytes are committed and its
 * bundle is settled; then it moves to `taken/`, `held/` or `refused/`. A crash on the way costs nothing: the
 * same bytes taken again get the first receipt again. What is not what was taken, by whatever its writer did
 * meanwhile, goes back into the folder.
 */
export class WatchedFolder {
  readonly #seen = new Map<string, Seen>();
  #shelved: Watched[] = [];
  #timer: NodeJS.Timeout | null = null;
  #round: Promise<void> | null = null;
  #isStopped = false;

  constructor(
    private readonly options: WatchedFolderOptions,
    private readonly intake: IntakeService,
    private readonly db: Reader,
    private readonly log: Logger,
  ) {}

  async start(): Promise<void> {
    await prepareWatchedFolder(this.options.directory);
    this.#schedule();
  }

  async stop(): Promise<void> {
    this.#isStopped = true;
    if (this.#timer) clearTimeout(this.#timer);
    await this.#round;
    await this.#lookAtShelved(Number.POSITIVE_INFINITY);
  }

  #schedule(): void {
    if (this.#isStopped) return;
    this.#timer = setTimeout(() => {
      this.#round = this.#look()
        .catch((err: unknown) => this.log.error({ event: 'watched-folder.failed', err }))
        .finally(() => this.#schedule());
    }, POLL_EVERY_MS);
  }

  async #look(): Promise<void> {
    const { directory } = this.options;
    const files = await listWaitingFiles(
      directory,
      FILES_A_ROUND_MAX,
      (name) => this.#seen.get(name)?.isUnreadable === true,
    );
    const names = new Set(files.map((file) => file.name));
    for (const name of this.#seen.keys()) if (!names.has(name)) this.#seen.delete(name);
    for (const file of files) {
      await this.#advance(file).catch((err: unknown) => this.#leaveAlone(file, err));
    }
    await this.#lookAtShelved(performance.now());
  }

  /** What was written into since it was shelved goes back into the folder. */
  async #lookAtShelved(nowMs: number): Promise<void> {
    const due = this.#shelved.filter(({ dueMs }) => dueMs <= nowMs);
    if (due.length === 0) return;
    this.#shelved = this.#shelved.filter(({ dueMs }) => dueMs > nowMs);
    for (const { shelved, waitedMs } of due) {
      const file = `${shelved.shelf}/${shelved.name}`;
      const seen = await lookAgain(this.options.directory, shelved).catch((err: unknown) => {
        this.log.error({ event: 'watched-folder.file-failed', file, err });
        return shelved;
      });
      if (seen === 'given-back') {
        this.log.warn({ event: 'watched-folder.changed-on-shelf', file });
      } else if (seen !== 'gone' && waitedMs < SHELVED_LAST_LOOK_MS) {
        this.#watch(seen, 2 * waitedMs);
      }
    }
  }

  #watch(shelved: ShelvedFile, waitedMs: number): void {
    this.#shelved.push({ shelved, waitedMs, dueMs: performance.now() + waitedMs });
  }

  async #shelve(
    file: WaitingFile,
    sha256: Sha256 | null,
    shelf: Shelf,
    findings: unknown,
  ): Promise<void> {
    const shelved = await shelve(this.options.directory, { file, sha256 }, shelf, findings);
    this.#seen.delete(file.name);
    if (shelved !== null) this.#watch(shelved, SHELVED_FIRST_LOOK_MS);
    else this.log.warn({ event: 'watched-folder.changed-since-taken', file: file.name });
  }

  /** One file that cannot be read or moved must not keep those behind it from being taken. */
  #leaveAlone(file: WaitingFile, err: unknown): void {
    this.log.error({ event: 'watched-folder.file-failed', file: file.name, err });
    const seen = this.#seen.get(file.name);
    if (!seen) return;
    this.#seen.set(file.name, { ...seen, notBeforeMs: performance.now() + TRY_AGAIN_MS });
  }

  async #advance(file: WaitingFile): Promise<void> {
    const seen = this.#seen.get(file.name);
    const nowMs = performance.now();
    if (!seen || !isSameFile(seen.file, file)) {
      const first = { file, sinceMs: nowMs, notBeforeMs: nowMs };
      this.#seen.set(file.name, { ...first, isUnreadable: false, taken: null });
      return;
    }
    if (nowMs < seen.notBeforeMs) return;
    if (seen.taken !== null) return this.#shelveSettled(file, seen.taken);
    if (nowMs - seen.sinceMs >= STILL_FOR_MS) await this.#take(file, seen, nowMs);
  }

  async #take(file: WaitingFile, seen: Seen, nowMs: number): Promise<void> {
    const { directory, bytesMax, unreadableStillForMs = UNREADABLE_STILL_FOR_MS } = this.options;
    const bytes = await readWaitingFile(directory, file, bytesMax);
    if (bytes === 'changed') return;
    const refusedFromMs = seen.sinceMs + unreadableStillForMs;
    const mayRefuse = nowMs >= refusedFromMs;
    if (bytes === 'too-large') {
      if (mayRefuse) await this.#shelve(file, null, 'refused', tooLarge(file.size, bytesMax));
      else this.#leaveToWriter(seen, refusedFromMs);
      return;
    }
    const incoming: IncomingBundle = {
      bytes,
      source: { kind: 'folder', name: 'watched-folder' },
      fileName: file.name,
      actor: { kind: 'system', name: 'watched-folder' },
      idempotencyKey: null,
    };
    const answer = mayRefuse
      ? await this.intake.take(incoming)
      : await this.intake.takeReadable(incoming);
    if (answer === null) {
      this.#leaveToWriter(seen, refusedFromMs);
      return;
    }
    if (answer.kind === 'key-reused') throw new Error('a watched file carries no idempotency key');
    const { intakeId, sha256 } = answer;
    this.#seen.set(file.name, { ...seen, isUnreadable: false, taken: { intakeId, sha256 } });
  }

  #leaveToWriter(seen: Seen, notBeforeMs: number): void {
    const { name } = seen.file;
    this.#seen.set(name, { ...seen, isUnreadable: true, notBeforeMs });
    this.log.info({ event: 'watched-folder.not-readable-yet', file: name });
  }

  async #shelveSettled(
    file: WaitingFile,
    { intakeId, sha256 }: NonNullable<Seen['taken']>,
  ): Promise<void> {
    const bundle = await findBundle(this.db, this.options.site, intakeId);
    const shelf = bundle ? shelfFor(bundle.state) : null;
    if (!bundle || !shelf) return;
    const findings = await findingsOfBundle(this.db, intakeId);
    await this.#shelve(file, sha256, shelf, {
      file: file.name,
      intakeId,
      bundleId: bundle.bundle_id,
      sha256: bundle.raw_sha256,
      state: bundle.state,
      findings: findings.map(({ code, severity, pointer, message, advice }) => ({
        code,
        severity,
        pointer,
        message,
        advice,
      })),
    });
  }
}

function shelfFor(state: BundleState): Shelf | null {
  switch (state) {
    case 'received':
      return null;
    case 'accepted':
    case 'duplicate':
      return 'taken';
    case 'held':
    case 'parked':
      return 'held';
    case 'refused':
      return 'refused';
  }
}

function tooLarge(size: number, bytesMax: number): unknown {
  return {
    state: 'refused',
    findings: [
      {
        code: 'file-too-large',
        severity: 'hold',
        pointer: '',
        message: `expected at most ${bytesMax} bytes, found ${size}`,
        advice:
          'Split the bundle at the source, or have limits.bundleBytesMax raised in the site folder.',
      },
    ],
  };
}
