import type { Instant } from '../formats/instant.js';
import { type KnownService, knownServiceFrom, SINCE_EVER } from '../site/instrument-service.js';
import type { Instrument } from '../site/site-folder.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared } from '../storage/prepared.js';

/** Where instruments of a site were in service by the folders that were in force. */
export async function knownService(reader: Reader, site: string): Promise<KnownService[]> {
  const { rows } = await ofSite(reader, { site });
  return rows.map(({ serial, area, from_at, to_at }) => ({
    serial,
    area,
    from: from_at,
    to: to_at,
  }));
}

const ofSite = prepared((db, of: { readonly site: string }) =>
  db
    .selectFrom('instrument_service')
    .select(['serial', 'area', 'from_at', 'to_at'])
    .where('site', '=', of.site)
    .orderBy('from_at')
    .orderBy('serial'),
);

/** Keeps what the folder that comes into force at an instant says from then on; the first one says it of ever. */
export async function noteService(
  trx: Trx,
  site: string,
  instruments: readonly Instrument[],
  at: Instant,
): Promise<void> {
  const known = await knownService(trx, site);
  const since = known.length === 0 ? SINCE_EVER : at;
  await trx.deleteFrom('instrument_service').where('site', '=', site).execute();
  for (const { serial, area, from, to } of knownServiceFrom(known, instruments, since)) {
    const row = { site, serial, area, from_at: from, to_at: to };
    await trx.insertInto('instrument_service').values(row).execute();
  }
}

/** False before anything was noted: a database from before it was. */
export async function isServiceKnown(reader: Reader, site: string): Promise<boolean> {
  return (await knownService(reader, site)).length > 0;
}
