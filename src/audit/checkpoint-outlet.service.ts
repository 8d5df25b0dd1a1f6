import type { Logger } from 'pino';
import { ERRORS, type ErrorCode } from '../error-registry.js';
import type { OpenDatabase } from '../storage/database.js';
import { readCheckpoint, type SignedCheckpoint } from './checkpoint.js';
import { checkpointFileName, writeCheckpointFile } from './checkpoint-folder.files.js';
import { newestCheckpoints } from './sealing.store.js';

/** Newest checkpoints that are looked after; a folder that was away for longer gets the rest by hand. */
const LOOKED_AFTER = 2_000;

/**
 * Takes checkpoints to where the owner of the database cannot change them: each a new file of a folder, never
 * written twice. What could not be written is written later, since the table has it too.
 */
export class CheckpointOutlet {
  #isBehind = true;
  #writtenSize = -1;
  readonly #named = new Set<string>();

  constructor(
    private readonly database: OpenDatabase,
    private readonly log: Logger,
    /** null: checkpoints stay in the database. */
    private readonly folder: string | null,
    private readonly site: string,
  ) {}

  /** There may be checkpoints that are not outside yet. */
  lookAgain(): void {
    this.#isBehind = true;
  }

  /** Writes what is missing outside. Never fails; what does is logged once and tried again. */
  async catchUp(): Promise<void> {
    const { folder } = this;
    if (folder === null || !this.#isBehind) return;
    this.#isBehind = false;
    const rows = await newestCheckpoints(this.database.db, this.site, LOOKED_AFTER);
    for (const { document, size } of rows) {
      if (size <= this.#writtenSize) continue;
      const signed = readCheckpoint(JSON.parse(document));
      if (signed === null) continue;
      if (!this.#write(folder, signed)) return;
      this.#writtenSize = size;
    }
  }

  #write(folder: string, signed: SignedCheckpoint): boolean {
    const name = checkpointFileName(signed);
    try {
      const outcome = writeCheckpointFile(folder, signed);
      if (outcome === 'differs') this.#report('checkpoint-differs', name, { file: name });
      if (outcome === 'unfinished') this.#report('checkpoint-unfinished', name, { file: name });
      return true;
    } catch (err) {
      this.#isBehind = true;
      this.#report('checkpoint-folder-unusable', folder, { folder, err });
      return false;
    }
  }

  /** Once: the state is looked at several times a second. */
  #report(code: ErrorCode, about: string, more: object): void {
    if (this.#named.has(`${code} ${about}`)) return;
    this.#named.add(`${code} ${about}`);
    this.log[ERRORS[code].level]({ event: code, ...more });
  }
}
