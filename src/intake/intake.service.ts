import { uuidv7 } from 'uuidv7';
import { type Actor, recordAudit } from '../audit/audit.store.js';
import type { Sha256 } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import type { JsonLimits } from '../formats/strict-json.js';
import { isZip } from '../formats/zip.js';
import { type ReceiptLocks, transactLocking } from '../receipts/receipt-locks.store.js';
import { step } from '../step.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import type { BundleRow, BundleState } from '../storage/tables.js';
import {
  findBundleByRaw,
  findIntakeKey,
  findingsOfBundle,
  insertBundle,
  insertFindings,
  insertIntakeKey,
  insertLane,
  insertRawBytes,
  pointIntakeKey,
} from './bundles.store.js';
import type { UnreadableBundle } from './envelope.js';
import { openBundleAside } from './open-bundle.js';
import { type DocumentRead, isLarge, readDocument, readOpened } from './read-document.js';

/** Lanes a process remembers; a sender could name a new one in every bundle. */
const LANES_KNOWN_MAX = 10_000;

export interface IncomingBundle {
  readonly bytes: Uint8Array;
  readonly source: { readonly kind: 'http' | 'folder'; readonly name: string };
  readonly fileName: string | null;
  readonly actor: Actor;
  /** Scoped to the source; null when the sender gave none. */
  readonly idempotencyKey: string | null;
}

/** Answer to the sender; given only after the bytes and their row are committed. */
export type IntakeAnswer =
  | {
      readonly kind: 'taken' | 'refused';
      readonly intakeId: string;
      readonly bundleId: string | null;
      readonly sha256: Sha256;
      readonly state: BundleState;
      /** False when these very bytes were taken before: the first receipt is given again. */
      readonly isFirst: boolean;
      readonly unreadable: UnreadableBundle | null;
    }
  | { readonly kind: 'key-reused'; readonly key: string };

interface Intake extends IncomingBundle, DocumentRead {
  /** The bytes are committed already, without a row that names them. */
  readonly isStored: boolean;
}

interface ReadBytes extends DocumentRead {
  /** Who has read them outside the thread that answers, and stores them there; null for the others. */
  readonly by: LargeDocuments | null;
}

/** Reads and stores bytes outside the thread that answers requests, see `LARGE_BYTES`. */
export interface LargeDocuments {
  /** @throws Problem `bundle-not-read` when it was ended before it was done */
  read(bytes: Uint8Array): Promise<DocumentRead>;
  /** True when they are committed; false where they go into the transaction like any others. */
  store(sha256: Sha256, bytes: Uint8Array): Promise<boolean>;
}

export interface IntakeServiceOptions {
  readonly site: string;
  readonly zone: string;
  readonly jsonLimits: JsonLimits;
}

export interface IntakeHooks {
  /** After the commit of a bundle that waits for its checks. */
  readonly onTaken: () => void;
  /** In the transaction that stores unreadable bytes: they may hold bad news about anything. */
  readonly onRefused: (trx: Trx, refused: RefusedBundle, locks: ReceiptLocks) => Promise<unknown>;
  /** After that commit: what the bytes put in doubt may have called for stops, which nobody else speaks of. */
  readonly afterRefused?: () => void;
}

export interface RefusedBundle {
  readonly id: string;
  readonly receivedAt: Instant;
  readonly source: string;
  readonly message: string;
}

/**
 * Takes bytes in. Nothing is judged here except whether they can be called a bundle at all; everything
 * authenticated is stored, whatever it holds.
 */
export class IntakeService {
  /** Lanes that are there; should the database be another one by now, whoever works on it adds what is missing. */
  readonly #lanes = new Set<string>();

  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly options: IntakeServiceOptions,
    private readonly hooks: IntakeHooks,
    /** null where everything is read by the thread that takes it. */
    private readonly large: LargeDocuments | null = null,
  ) {}

  async take(incoming: IncomingBundle): Promise<IntakeAnswer> {
    step('S1');
    return this.#commit(incoming, await this.#read(incoming.bytes));
  }

  /** The same, for bytes whose writer may not have finished: null, and nothing is stored, where they cannot be read. */
  async takeReadable(incoming: IncomingBundle): Promise<IntakeAnswer | null> {
    step('S1');
    const read = await this.#read(incoming.bytes);
    return read.unreadable === null ? this.#commit(incoming, read) : null;
  }

  async #read(bytes: Uint8Array): Promise<ReadBytes> {
    const { jsonLimits } = this.options;
    const { large } = this;
    if (large !== null && isLarge(bytes, jsonLimits)) {
      return { ...(await large.read(bytes)), by: large };
    }
    // Bytes that are the document are read at once: nothing is waited for on the hot path.
    const read = isZip(bytes)
      ? readOpened(bytes, await openBundleAside(bytes, jsonLimits.bytesMax), jsonLimits)
      : readDocument(bytes, jsonLimits);
    return { ...read, by: null };
  }

  async #commit(incoming: IncomingBundle, { by, ...read }: ReadBytes): Promise<IntakeAnswer> {
    const isStored = by !== null && (await this.#storeAside(by, incoming, read));
    const intake = { ...incoming, ...read, isStored };
    const answer = await transactLocking(this.database, this.options.site, (trx, locks) =>
      this.#store(trx, intake, locks),
    );
    step('S3');
    if (answer.kind === 'taken' && answer.isFirst) {
      if (this.#lanes.size >= LANES_KNOWN_MAX) this.#lanes.clear();
      this.#lanes.add(intake.lane);
      this.hooks.onTaken();
    }
    if (answer.kind === 'refused' && answer.isFirst) this.hooks.afterRefused?.();
    return answer;
  }

  /**
   * The bytes are committed before the row that names them. Without that row they say nothing to anybody: the sender
   * has no answer and sends them again.
   */
  async #storeAside(
    large: LargeDocuments,
    { bytes, idempotencyKey: key, source }: IncomingBundle,
    { sha256 }: DocumentRead,
  ): Promise<boolean> {
    const used = key === null ? undefined : await findIntakeKey(this.database.db, source.name, key);
    // A key that stands for other bytes is refused, and nothing is stored.
    const isRefused = used !== undefined && used.raw_sha256 !== sha256;
    return !isRefused && (await large.store(sha256, bytes));
  }

  /**
   * Written first and read only when it is there already: what another process writes at the same moment is
   * waited for by the insert, and seen by the reading behind it.
   */
  async #store(trx: Trx, intake: Intake, locks: ReceiptLocks): Promise<IntakeAnswer> {
    const id = uuidv7();
    const key = intake.idempotencyKey;
    const isKeyNew = key !== null && (await this.#noteKey(trx, intake, key, id));
    if (key !== null && !isKeyNew) {
      const used = await findIntakeKey(trx, intake.source.name, key);
      if (used?.raw_sha256 !== intake.sha256) return { kind: 'key-reused', key };
    }
    if (await this.#insert(trx, intake, id, locks)) return firstReceipt(id, intake);
    const first = await findBundleByRaw(trx, this.options.site, intake.sha256);
    if (!first) throw new Error(`the bundle of bytes ${intake.sha256} is neither new nor there`);
    if (isKeyNew) {
      await pointIntakeKey(trx, { caller: intake.source.name, key, bundle_row_id: first.id });
    }
    return receiptAgain(trx, first, intake.sha256);
  }

  /** False when the same bytes are there. */
  async #insert(trx: Trx, intake: Intake, id: string, locks: ReceiptLocks): Promise<boolean> {
    const { site, zone } = this.options;
    const now = this.clock.now();
    const state = intake.unreadable ? 'refused' : 'received';
    if (!intake.isStored) await insertRawBytes(trx, intake.sha256, intake.bytes);
    step('S2');
    const isFirst = await insertBundle(trx, {
      id,
      site,
      bundle_id: intake.bundleId,
      raw_sha256: intake.sha256,
      canonical_digest: null,
      state,
      duplicate_of: null,
      source_kind: intake.source.kind,
      source_name: intake.source.name,
      file_name: intake.fileName,
      received_at: now,
      settled_at: intake.unreadable ? now : null,
      environment: null,
      origin: null,
      instrument_serial: null,
      run_epoch: null,
      run_first: null,
      run_last: null,
      strikes: 0,
      examining_by: null,
      lane: intake.lane,
    });
    if (!isFirst) return false;
    if (!intake.unreadable && !this.#lanes.has(intake.lane)) {
      await insertLane(trx, { site, name: intake.lane, worker: null, fence: 0 });
    }
    if (intake.unreadable) {
      await insertFindings(trx, [
        {
          id: uuidv7(),
          site,
          bundle_row_id: id,
          result_row_id: null,
          severity: 'hold',
          numbers: null,
          ...intake.unreadable,
        },
      ]);
      const { message } = intake.unreadable;
      const refused = { id, receivedAt: now, source: intake.source.name, message };
      await this.hooks.onRefused(trx, refused, locks);
    }
    await recordAudit(trx, {
      site,
      zone,
      at: now,
      actor: intake.actor,
      action: intake.unreadable ? 'bundle.refused' : 'bundle.received',
      subjectKind: 'bundle',
      subjectId: id,
      after: {
        state,
        bundleId: intake.bundleId,
        sha256: intake.sha256,
        size: intake.bytes.byteLength,
        fileName: intake.fileName,
      },
    });
    step('S14');
    return true;
  }

  #noteKey(trx: Trx, intake: Intake, key: string, bundleRowId: string): Promise<boolean> {
    return insertIntakeKey(trx, {
      caller: intake.source.name,
      key,
      raw_sha256: intake.sha256,
      bundle_row_id: bundleRowId,
      created_at: this.clock.now(),
    });
  }
}

function firstReceipt(id: string, intake: Intake): IntakeAnswer {
  return {
    kind: intake.unreadable ? 'refused' : 'taken',
    intakeId: id,
    bundleId: intake.bundleId,
    sha256: intake.sha256,
    state: intake.unreadable ? 'refused' : 'received',
    isFirst: true,
    unreadable: intake.unreadable,
  };
}

/**
 * What was answered to bytes when they first came, whatever a limit that was changed since would make of them: bytes that
 * were refused are never examined, and who is told that they are taken would wait in vain.
 */
async function receiptAgain(trx: Trx, first: BundleRow, digest: Sha256): Promise<IntakeAnswer> {
  const isRefused = first.bundle_id === null;
  const [unreadable = null] = isRefused ? await findingsOfBundle(trx, first.id) : [];
  return {
    kind: isRefused ? 'refused' : 'taken',
    intakeId: first.id,
    bundleId: first.bundle_id,
    sha256: digest,
    state: first.state,
    isFirst: false,
    unreadable: unreadable && {
      code: unreadable.code,
      pointer: unreadable.pointer,
      message: unreadable.message,
      advice: unreadable.advice,
    },
  };
}
