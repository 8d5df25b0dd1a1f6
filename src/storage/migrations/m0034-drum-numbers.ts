import { type Kysely, sql } from 'kysely';
import { drumNumber } from '../../receipts/label.js';
import {
  keepsEvidence,
  type LinkDocument,
  printsOf,
  type Relabel,
} from '../../receipts/lineage.js';
import type { ContainerRelabelRow, DrumNumberRow, ReceiptLinkRow } from '../tables.js';

/**
 * A drum is found by GTIN and serial number, whatever else its label says, under whatever receipt it was scanned, and by what
 * it carried before its label was printed anew, here or at a receipt that it came from. Before, only receipts that listed the
 * same text were. What lists a drum that another receipt lists too, or was scanned under one, is judged anew; and what is
 * linked, since a match that names another material speaks against that now as well.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createTable('drum_number')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('receipt_id', 'text', (c) => c.notNull())
    .addColumn('key', 'text', (c) => c.notNull())
    .addColumn('number', 'text', (c) => c.notNull())
    .addPrimaryKeyConstraint('drum_number_once', ['site', 'receipt_id', 'key', 'number'])
    .execute();
  await db.schema
    .createIndex('drum_number_by_number')
    .on('drum_number')
    .columns(['site', 'number'])
    .execute();
  await db.schema.alterTable('result').addColumn('drum_number', 'text').execute();
  await sql`create index result_by_drum on result (site, drum_number)
    where drum_number is not null`.execute(db);
  const old = db as Kysely<Held>;
  await numberContainers(old);
  await numberResults(old);
  await sql`update receipt set evaluation_due = 1
    where announced = 1 and (linked = 1 or exists (
      select 1 from drum_number mine
      where mine.site = receipt.site and mine.receipt_id = receipt.id
        and (exists (
          select 1 from drum_number other where other.site = mine.site
            and other.number = mine.number and other.receipt_id <> mine.receipt_id)
        or exists (
          select 1 from result where result.site = mine.site and result.drum_number = mine.number
            and result.receipt_id is distinct from mine.receipt_id))))`.execute(db);
}

interface Held {
  container: { site: string; receipt_id: string; normalised: string };
  container_relabel: ContainerRelabelRow;
  receipt_link: ReceiptLinkRow;
  drum_number: DrumNumberRow;
  result: { id: string; container_scanned: string | null; drum_number: string | null };
}

async function numberContainers(db: Kysely<Held>): Promise<void> {
  for (let last = { receipt_id: '', normalised: '' }; ; ) {
    const page = await db
      .selectFrom('container')
      .select(['site', 'receipt_id', 'normalised'])
      .where('normalised', 'like', SERIAL_LIKE)
      .where((e) =>
        e.or([
          e('receipt_id', '>', last.receipt_id),
          e.and([e('receipt_id', '=', last.receipt_id), e('normalised', '>', last.normalised)]),
        ]),
      )
      .orderBy('receipt_id')
      .orderBy('normalised')
      .limit(PAGE)
      .execute();
    const rows = page.flatMap(({ normalised: key, ...of }) => rowOf(of, key, drumNumber(key)));
    await noteAll(db, rows);
    last = page.at(-1) ?? last;
    if (page.length < PAGE) break;
  }
  // Receipts whose labels were printed anew, and what went on from those, in the order in which it went.
  const relabels = await db.selectFrom('container_relabel').selectAll().orderBy('id').execute();
  const byReceipt = new Map<string, ContainerRelabelRow[]>();
  for (const row of relabels) {
    const place = JSON.stringify([row.site, row.receipt_id]);
    byReceipt.set(place, [...(byReceipt.get(place) ?? []), row]);
  }
  for (const rows of byReceipt.values()) await noteRelabels(db, rows);
  const links = await db.selectFrom('receipt_link').selectAll().orderBy('id').execute();
  for (const link of links) {
    if (!keepsEvidence(link.kind)) continue;
    const gone = new Set((JSON.parse(link.document) as LinkDocument).containers);
    const held = await numbersAt(db, link.site, link.from_receipt);
    const of = { site: link.site, receipt_id: link.to_receipt };
    for (const { key, number } of held) {
      if (!gone.has(key)) continue;
      await note(db, of, key, number);
      const there = byReceipt.get(JSON.stringify([link.site, link.to_receipt])) ?? [];
      for (const print of printsOf(there, key)) await note(db, of, print, number);
    }
  }
}

/** Every label that a container carried at a receipt has every number that one of them has. */
async function noteRelabels(db: Kysely<Held>, rows: readonly ContainerRelabelRow[]): Promise<void> {
  const [first] = rows;
  if (first === undefined) return;
  const of = { site: first.site, receipt_id: first.receipt_id };
  const relabels: readonly Relabel[] = rows;
  for (const { old_key, new_key } of rows) {
    for (const key of [old_key, new_key]) {
      const number = drumNumber(key);
      if (number === null) continue;
      for (const print of printsOf(relabels, key)) await note(db, of, print, number);
    }
  }
}

function numbersAt(db: Kysely<Held>, site: string, receiptId: string) {
  return db
    .selectFrom('drum_number')
    .select(['key', 'number'])
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .execute();
}

interface OfReceipt {
  readonly site: string;
  readonly receipt_id: string;
}

function rowOf({ site, receipt_id }: OfReceipt, key: string, number: string | null) {
  return number === null ? [] : [{ site, receipt_id, key, number }];
}

function note(db: Kysely<Held>, of: OfReceipt, key: string, number: string | null): Promise<void> {
  return noteAll(db, rowOf(of, key, number));
}

async function noteAll(db: Kysely<Held>, rows: readonly DrumNumberRow[]): Promise<void> {
  if (rows.length === 0) return;
  await db
    .insertInto('drum_number')
    .values([...rows])
    .onConflict((c) => c.doNothing())
    .execute();
}

/** A page of results at a time: of a large site there are millions, and few were scanned by a serial number. */
async function numberResults(db: Kysely<Held>): Promise<void> {
  for (let last = ''; ; ) {
    const page = await db
      .selectFrom('result')
      .select(['id', 'container_scanned'])
      .where('id', '>', last)
      // Elements may stand in any order.
      .where('container_scanned', 'like', '%01%')
      .where('container_scanned', 'like', '%21%')
      .orderBy('id')
      .limit(PAGE)
      .execute();
    const numbered = page.flatMap(({ id, container_scanned: scanned }) => {
      const number = drumNumber(scanned ?? '');
      return number === null ? [] : [sql`(${id}, ${number})`];
    });
    if (numbered.length > 0) {
      await sql`with numbered (id, number) as (values ${sql.join(numbered)})
        update result set drum_number = numbered.number from numbered
        where result.id = numbered.id`.execute(db);
    }
    if (page.length < PAGE) return;
    last = page.at(-1)?.id ?? last;
  }
}

/** Of rows with four values each, which a statement may bind. */
const PAGE = 1_000;
/** How the key of a label begins and goes on that may have both; elements stand in the order of their numbers. */
const SERIAL_LIKE = '(01)%(21)%';
