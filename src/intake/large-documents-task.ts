import type { Sha256 } from '../formats/canonical-json.js';
import type { JsonLimits } from '../formats/strict-json.js';

/** What the thread is started with. */
export interface LargeThreadData {
  /** File of the database; null where the database is a server. */
  readonly path: string | null;
  readonly limits: JsonLimits;
}

export interface StoreTask {
  readonly sha256: Sha256;
  readonly bytes: Uint8Array;
}
