import type { Logger } from 'pino';
import { Misconfigured } from '../errors.js';
import { formatInstant, type Instant, msBetween } from '../formats/instant.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import type { AuditEntryRow, TrailHeadRow } from '../storage/tables.js';
import type { WorkerIdentity } from '../storage/worker-identity.js';
import { type AuditEvent, recordAudits } from './audit.store.js';
import { SEAL_ALGORITHM } from './chain.js';
import { headOf, peaksText } from './chain-head.js';
import {
  type CheckpointCause,
  checkpointDigest,
  checkpointText,
  signCheckpoint,
} from './checkpoint.js';
import type { CheckpointOutlet } from './checkpoint-outlet.service.js';
import { rootOfEdge } from './merkle.js';
import { type ChainHead, sealEntries } from './seal-entries.js';
import {
  advanceHead,
  claimTrail,
  holdTrail,
  insertCheckpoint,
  instanceOf,
  maySeal,
  releaseTrail,
  type TrailClaim,
  trailHead,
  unsealedEntries,
  writeSeals,
} from './sealing.store.js';
import type { TrailKey } from './signing-key.js';
import { CLOCK_SET_BACK, KEY_ANNOUNCED } from './verify-trail.js';

/** Rest between two looks: an entry is sealed well within a second of its commit. */
const LOOK_EVERY_MS = 400;
/** Entries one transaction seals: others of the process wait for it meanwhile. */
const BATCH = 128;
/** A seal that would lie so much before the last one says that the clock was set back. */
const STEP_MS_MAX = 1_000;

export interface SealerOptions {
  readonly site: string;
  readonly zone: string;
  /** Signs checkpoints; null leaves them unsigned. */
  readonly key: TrailKey | null;
  /**
   * The key before, for the one checkpoint that both sign; `lost` when it cannot be had any more: then a new key signs alone,
   * and without one checkpoints go on unsigned.
   */
  readonly keyBefore: TrailKey | 'lost' | null;
  readonly checkpointEveryMs: number;
  readonly checkpointEveryEntries: number;
}

export interface SealerParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly worker: WorkerIdentity;
  readonly log: Logger;
  readonly outlet: CheckpointOutlet;
}

type Round = 'nothing' | 'sealed' | 'more';

/**
 * The one who numbers and chains what was committed. Any working process may; a row says which does, and what one
 * writes after it lost that row changes nothing. Nothing is kept between two rounds but the claim: where the
 * chain ends stands in the database.
 */
export class TrailSealer {
  #claim: TrailClaim | null = null;
  #timer: NodeJS.Timeout | null = null;
  #running: Promise<void> = Promise.resolve();
  #isStopping = false;

  constructor(
    private readonly parts: SealerParts,
    private readonly options: SealerOptions,
  ) {}

  /**
   * Seals from now on.
   *
   * @throws Misconfigured `trail-key-unusable` when checkpoints were signed, and not by this key: by another one that nobody
   *   has, or now nobody would sign them any more
   */
  async start(): Promise<void> {
    const head = await trailHead(this.parts.database.db, this.options.site);
    requireKey(head?.key_id ?? null, this.options);
    this.#plan();
  }

  /** Seals what is there, closes with a checkpoint and gives the trail back. What fails is logged. */
  async stop(): Promise<void> {
    this.#isStopping = true;
    if (this.#timer !== null) clearTimeout(this.#timer);
    await this.#running;
    await this.#guarded(async () => {
      await this.sealAll();
      const claim = this.#claim;
      if (claim === null) return;
      await this.#checkpointNow(claim, 'close');
      await this.parts.database.transact((trx) => releaseTrail(trx, claim));
      this.#claim = null;
    });
  }

  /** Seals what a process that does no work has written to a database of its own; leaves the rest to workers. */
  async sealLeftovers(): Promise<void> {
    const { database } = this.parts;
    if (dialectOf(database.db).isShared) return;
    const waiting = await unsealedEntries(database.db, this.options.site, 1);
    if (waiting.length === 0) return;
    await this.#guarded(async () => {
      const claim = await this.#claimed();
      if (claim === null) return;
      while ((await this.#sealBatch(claim, false)) === 'more');
      await database.transact((trx) => releaseTrail(trx, claim));
      this.#claim = null;
    });
  }

  /** Seals until nothing waits. */
  async sealAll(): Promise<void> {
    while ((await this.sealOnce()) === 'more');
  }

  /** One round: takes the trail if nobody has it, and seals what waits, up to a batch. */
  async sealOnce(): Promise<Round> {
    const { database, clock, worker } = this.parts;
    const { site } = this.options;
    if (!worker.mayStart || !(await maySeal(database.db, site, worker.id))) return 'nothing';
    const head = await trailHead(database.db, site);
    const waiting = await unsealedEntries(database.db, site, 1);
    const isIdle = waiting.length === 0 && !(head && this.#isDue(head, clock.now()));
    if (isIdle && this.#claim?.worker === worker.id) return 'nothing';
    const claim = await this.#claimed();
    if (claim === null) return 'nothing';
    return this.#sealBatch(claim, true);
  }

  #plan(): void {
    if (this.#isStopping) return;
    this.#timer = setTimeout(() => {
      this.#running = this.#guarded(async () => {
        while (!this.#isStopping && (await this.sealOnce()) === 'more') {
          // Others get their turn between two batches.
          await new Promise((resolve) => setImmediate(resolve));
        }
        await this.parts.outlet.catchUp();
      }).then(() => this.#plan());
    }, LOOK_EVERY_MS);
  }

  async #guarded(work: () => Promise<void>): Promise<void> {
    try {
      await work();
    } catch (err) {
      this.#claim = null;
      this.parts.log.warn({ event: 'trail.sealing-failed', err });
    }
  }

  /** The claim it has, or a new one with the key brought in; null while another worker has the trail. */
  async #claimed(): Promise<TrailClaim | null> {
    const { database, worker, log } = this.parts;
    const { site } = this.options;
    if (this.#claim?.worker === worker.id) return this.#claim;
    this.#claim = await database.transact((trx) => claimTrail(trx, site, worker.id));
    if (this.#claim !== null) {
      log.info({ event: 'trail.sealing', worker: worker.id, fence: this.#claim.fence });
      await this.#sayUnsigned();
      this.parts.outlet.lookAgain();
    }
    return this.#claim;
  }

  /** The start that allowed it may be long ago, and one before the first key allowed nothing. */
  async #sayUnsigned(): Promise<void> {
    const { database, log } = this.parts;
    if (this.options.key !== null) return;
    const head = await trailHead(database.db, this.options.site);
    if (head === undefined || head.key_id === null) return;
    log.error({ event: 'trail.unsigned', signedBefore: head.key_id });
  }

  async #sealBatch(claim: TrailClaim, mayCheckpoint: boolean): Promise<Round> {
    const { database, outlet } = this.parts;
    const done = await database.transact(async (trx) => {
      const held = await holdTrail(trx, claim);
      if (held === null) return null;
      const rows = await unsealedEntries(trx, claim.site, BATCH);
      const now = this.#sealTime(held);
      const isNewKey = mayCheckpoint && this.#bringsKey(held);
      const said = [
        ...this.#clockSetBack(held, now, rows.length),
        ...this.#keyAnnounced(held, isNewKey, now),
      ];
      const own = await recordAudits(trx, said);
      const head = await this.#seal(trx, claim, held, [...rows, ...own], now);
      const isDue = this.#isDue({ ...held, size: head.edge.size }, now);
      if (isNewKey) await this.#checkpoint(trx, held, head, now, 'key-changed');
      else if (mayCheckpoint && isDue) {
        const isFull = head.edge.size - held.checkpoint_size >= this.options.checkpointEveryEntries;
        await this.#checkpoint(trx, held, head, now, isFull ? 'entries' : 'interval');
      }
      return { sealed: rows.length, isCheckpoint: mayCheckpoint && (isNewKey || isDue) };
    });
    if (done === null) {
      this.#claim = null;
      return 'nothing';
    }
    if (done.isCheckpoint) outlet.lookAgain();
    return done.sealed === BATCH ? 'more' : done.sealed > 0 ? 'sealed' : 'nothing';
  }

  async #seal(
    trx: Trx,
    claim: TrailClaim,
    held: TrailHeadRow,
    rows: readonly AuditEntryRow[],
    now: Instant,
  ): Promise<ChainHead> {
    const before = headOf(held);
    if (rows.length === 0) return before;
    const { head, seals } = sealEntries(before, rows, now);
    const written = await writeSeals(trx, seals);
    if (written !== rows.length) {
      throw new Error(`${rows.length - written} of ${rows.length} entries were sealed by another`);
    }
    await advanceHead(trx, claim, {
      size: head.edge.size,
      hash: head.hash.toString('hex'),
      peaks: peaksText(head),
      sealed_at: now,
    });
    return head;
  }

  /** A checkpoint over all that is sealed, unless the last one covers it. */
  async #checkpointNow(claim: TrailClaim, cause: CheckpointCause): Promise<void> {
    const { database, outlet } = this.parts;
    await database.transact(async (trx) => {
      const held = await holdTrail(trx, claim);
      if (held === null || held.size === held.checkpoint_size) return;
      await this.#checkpoint(trx, held, headOf(held), this.#sealTime(held), cause);
    });
    outlet.lookAgain();
    await outlet.catchUp();
  }

  async #checkpoint(
    trx: Trx,
    held: TrailHeadRow,
    { hash, edge }: ChainHead,
    at: Instant,
    cause: CheckpointCause,
  ): Promise<void> {
    const instance = await instanceOf(trx);
    const { site, key } = this.options;
    const isChange = cause === 'key-changed' && held.key_id !== null;
    const signed = signCheckpoint(
      {
        algorithm: SEAL_ALGORITHM,
        site,
        instance: instance?.id ?? '',
        epoch: instance?.epoch ?? 0,
        size: edge.size,
        root: rootOfEdge(edge).toString('hex'),
        head: hash.toString('hex'),
        time: formatInstant(at),
        cause,
        previous: held.checkpoint_digest,
        retires: isChange ? held.key_id : null,
      },
      this.#signers(held, isChange),
    );
    const digest = checkpointDigest(signed.checkpoint);
    const row = { site, size: edge.size, at, document: checkpointText(signed) };
    await insertCheckpoint(trx, row, { digest, keyId: key?.id ?? null });
  }

  #signers(held: TrailHeadRow, isChange: boolean): TrailKey[] {
    const { key, keyBefore } = this.options;
    if (key === null) return [];
    const isBefore = isChange && keyBefore !== null && keyBefore !== 'lost';
    return isBefore && keyBefore.id === held.key_id ? [keyBefore, key] : [key];
  }

  #bringsKey({ key_id }: TrailHeadRow): boolean {
    return this.options.key !== null && this.options.key.id !== key_id;
  }

  #isDue(head: TrailHeadRow, now: Instant): boolean {
    const { checkpointEveryEntries: entries, checkpointEveryMs: ms } = this.options;
    if (this.#bringsKey(head)) return true;
    const behind = head.size - head.checkpoint_size;
    const since = msBetween(head.checkpoint_at, now);
    return behind >= entries || (behind > 0 && (since >= ms || since < 0));
  }

  /** Never before the last seal by what two processes read apart; a real step back is kept, and said. */
  #sealTime({ sealed_at }: TrailHeadRow): Instant {
    const now = this.parts.clock.now();
    const isStep = msBetween(now, sealed_at) > STEP_MS_MAX;
    return isStep || now > sealed_at ? now : sealed_at;
  }

  #clockSetBack({ sealed_at }: TrailHeadRow, now: Instant, waiting: number): AuditEvent[] {
    if (now >= sealed_at || waiting === 0) return [];
    this.parts.log.error({ event: 'trail.clock-set-back', ms: msBetween(now, sealed_at) });
    return [
      this.#event(CLOCK_SET_BACK, now, {
        before: { lastSealedAt: formatInstant(sealed_at) },
        after: { now: formatInstant(now), backMs: Math.round(msBetween(now, sealed_at)) },
      }),
    ];
  }

  #keyAnnounced({ key_id }: TrailHeadRow, isNew: boolean, now: Instant): AuditEvent[] {
    const { key } = this.options;
    if (key === null || !isNew) return [];
    const before = key_id === null ? {} : { before: { id: key_id } };
    const after = { id: key.id, publicKey: key.publicKey };
    return [this.#event(KEY_ANNOUNCED, now, { ...before, after })];
  }

  #event(action: string, at: Instant, what: Pick<AuditEvent, 'before' | 'after'>): AuditEvent {
    const { site, zone } = this.options;
    const actor = { kind: 'system', name: 'sealer' } as const;
    return { site, zone, at, actor, action, subjectKind: 'trail', subjectId: site, ...what };
  }
}

function requireKey(signedBy: string | null, { key, keyBefore }: SealerOptions): void {
  if (signedBy === null || keyBefore === 'lost' || key?.id === signedBy) return;
  if (key === null) {
    throw new Misconfigured('trail-key-unusable', {
      found: `checkpoints so far are signed by key ${signedBy}, and DRUMLINE_TRAIL_KEY names none: it was left out here, or the key is lost; then name a new one, and set DRUMLINE_TRAIL_KEY_BEFORE to \`lost\` (with that and no key checkpoints go on unsigned), which every verification will show`,
    });
  }
  if (keyBefore?.id === signedBy) return;
  throw new Misconfigured('trail-key-unusable', {
    found: `checkpoints so far are signed by key ${signedBy}, DRUMLINE_TRAIL_KEY is ${key.id}; to change the key, name the file of the old one in DRUMLINE_TRAIL_KEY_BEFORE for one start (or \`lost\`, which every verification will show)`,
  });
}
