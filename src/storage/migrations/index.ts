import type { Migration } from 'kysely';
import * as m0001 from './m0001-spine.js';

/** Forward only; names sort in the order they run. */
export const migrations: Readonly<Record<string, Migration>> = {
  '0001-spine': m0001,
};
