import type { Logger } from 'pino';
import type { Reader } from '../storage/database.js';
import type { BundleState } from '../storage/tables.js';
import { findBundle, findingsOfBundle } from './bundles.store.js';
import type { IntakeService } from './intake.service.js';
import {
  isSameFile,
  listWaitingFiles,
  prepareWatchedFolder,
  readWaitingFile,
  type Shelf,
  shelve,
  type WaitingFile,
} from './watched-folder.files.js';

const POLL_EVERY_MS = 200;
/** A file is whole when size and time of change stood still this long. */
const STILL_FOR_MS = 400;
const FILES_A_ROUND_MAX = 500;
/** A file that could not be read or moved is left alone this long before it is tried again. */
const TRY_AGAIN_MS = 5_000;

interface Seen {
  readonly file: WaitingFile;
  readonly sinceMs: number;
  readonly notBeforeMs: number;
  /** Set once its bytes are committed; it is shelved when the bundle is settled. */
  readonly intakeId: string | null;
}

export interface WatchedFolderOptions {
  readonly directory: string;
  readonly site: string;
  readonly bytesMax: number;
}

/**
 * Takes bundles from a folder. A file stays in place until it is whole, its bytes are committed and its
 * bundle is settled; then it moves to `taken/`, `held/` or `refused/`. A crash on the way costs nothing: the
 * same bytes taken again get the first receipt again.
 */
export class WatchedFolder {
  readonly #seen = new Map<string, Seen>();
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
    const files = await listWaitingFiles(directory, FILES_A_ROUND_MAX);
    const names = new Set(files.map((file) => file.name));
    for (const name of this.#seen.keys()) if (!names.has(name)) this.#seen.delete(name);
    for (const file of files) {
      await this.#advance(file).catch((err: unknown) => this.#leaveAlone(file, err));
    }
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
      this.#seen.set(file.name, { file, sinceMs: nowMs, notBeforeMs: nowMs, intakeId: null });
      return;
    }
    if (nowMs < seen.notBeforeMs) return;
    if (seen.intakeId !== null) return this.#shelveSettled(file, seen.intakeId);
    if (nowMs - seen.sinceMs >= STILL_FOR_MS) await this.#take(file, seen);
  }

  async #take(file: WaitingFile, seen: Seen): Promise<void> {
    const { directory, bytesMax } = this.options;
    const bytes = await readWaitingFile(directory, file, bytesMax);
    if (bytes === 'changed') return;
    if (bytes === 'too-large') {
      await shelve(directory, file, 'refused', tooLarge(file.size, bytesMax));
      return;
    }
    const answer = await this.intake.take({
      bytes,
      source: { kind: 'folder', name: 'watched-folder' },
      fileName: file.name,
      actor: { kind: 'system', name: 'watched-folder' },
      idempotencyKey: null,
    });
    if (answer.kind === 'key-reused') throw new Error('a watched file carries no idempotency key');
    this.#seen.set(file.name, { ...seen, intakeId: answer.intakeId });
  }

  async #shelveSettled(file: WaitingFile, intakeId: string): Promise<void> {
    const bundle = await findBundle(this.db, this.options.site, intakeId);
    const shelf = bundle ? shelfFor(bundle.state) : null;
    if (!bundle || !shelf) return;
    const findings = await findingsOfBundle(this.db, intakeId);
    await shelve(this.options.directory, file, shelf, {
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
    this.#seen.delete(file.name);
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
