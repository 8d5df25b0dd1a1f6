import type { Migration } from 'kysely';
import * as m0001 from './m0001-spine.js';
import * as m0003 from './m0003-many-settlers.js';
import * as m0004 from './m0004-change-source.js';
import * as m0009 from './m0009-sweeps.js';

/** Forward only; names sort in the order they run. */
export const migrations: Readonly<Record<string, Migration>> = {
  '0001-spine': m0001,
  '0003-many-settlers': m0003,
  '0004-change-source': m0004,
  '0009-sweeps': m0009,
};
