import type { Instant } from '../../src/formats/instant.js';
import type { StatementWorld } from '../statements/statement-world.js';

/** A bundle as the comparison sees it: that it came, when, and what became of it. */
export async function storeBundle(
  world: StatementWorld,
  id: string,
  state: 'accepted' | 'refused',
  at: Instant,
) {
  await world.database.db
    .insertInto('bundle')
    .values({
      id,
      site: world.site.site,
      bundle_id: id,
      raw_sha256: id,
      canonical_digest: null,
      state,
      duplicate_of: null,
      source_kind: 'http',
      source_name: 'key',
      file_name: null,
      received_at: at,
      settled_at: at,
      environment: null,
      origin: null,
      instrument_serial: null,
      run_epoch: null,
      run_first: null,
      run_last: null,
      strikes: 0,
      examining_by: null,
      lane: '',
    })
    .execute();
}
