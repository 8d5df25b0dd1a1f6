import { sql } from 'kysely';
import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import type { Signature } from '../signatures/signature.js';
import { latestSignatureOf } from '../signatures/signatures.store.js';
import type { Reader, Trx } from '../storage/database.js';
import { preparedForList } from '../storage/prepared.js';
import type {
  ContainerRelabelRow,
  ReceiptLinkRow,
  ReceiptRequestRow,
  ResultRow,
} from '../storage/tables.js';
import { passFindings } from './delivery-findings.store.js';
import {
  passDrumNumbers,
  receiptsOfDrums,
  receiptsSharingDrums,
  relabelDrum,
} from './drum-numbers.store.js';
import { containerKey, drumNumber } from './label.js';
import { doesDisagree, GOES_ON, keepsEvidence } from './lineage.js';

/** Links by which containers came to a receipt, earliest first. */
export function linksTo(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<ReceiptLinkRow[]> {
  return reader
    .selectFrom('receipt_link')
    .selectAll()
    .where('site', '=', site)
    .where('to_receipt', '=', receiptId)
    .orderBy('id')
    .execute();
}

/** Links by which containers went from a receipt, earliest first. */
export function linksFrom(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<ReceiptLinkRow[]> {
  return reader
    .selectFrom('receipt_link')
    .selectAll()
    .where('site', '=', site)
    .where('from_receipt', '=', receiptId)
    .orderBy('id')
    .execute();
}

/** Links by which containers went from these receipts under their own labels, to begin anew. */
export async function keepingLabels(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
): Promise<ReceiptLinkRow[]> {
  if (receiptIds.length === 0) return [];
  return await reader
    .selectFrom('receipt_link')
    .selectAll()
    .where('site', '=', site)
    .where('from_receipt', 'in', receiptIds)
    .where('kind', 'in', ['returned', 'opened'])
    .orderBy('id')
    .execute();
}

/** Receipts that containers of one of these came from without a signed act that answers for it. */
export async function unansweredSources(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
): Promise<ReadonlySet<string>> {
  const rows = await reader
    .selectFrom('receipt_link')
    .select('from_receipt')
    .where('site', '=', site)
    .where('to_receipt', 'in', receiptIds)
    .where('signature_id', 'is', null)
    .execute();
  return new Set(rows.map((row) => row.from_receipt));
}

/**
 * Receipts that what is known of one of these bears on: those that list a drum of it, or one that was measured under it, by
 * its serial number; those that containers of one of all these came to, however they came; and of what it went on from, the
 * other parts and what began anew.
 *
 * @param numbers of drums that something is known of besides, at whatever receipt or none
 */
export async function receiptsComingOf(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
  numbers: Iterable<string> = [],
): Promise<readonly string[]> {
  const sharing = await receiptsSharingDrums(reader, site, receiptIds, numbers);
  const found = new Set(sharing);
  const all = [...receiptIds, ...sharing];
  for (let i = 0; i < all.length; i += CHUNK) {
    const ids = all.slice(i, i + CHUNK);
    for (const query of [comingOf, besideFromSourcesOf]) {
      for (const row of (await query(reader, { site }, ids)).rows) found.add(row.to_receipt);
    }
  }
  return [...found];
}

const comingOf = preparedForList((db, of: { readonly site: string }, ids) =>
  db
    .selectFrom('receipt_link')
    .select('to_receipt')
    .distinct()
    .where('site', '=', of.site)
    .where('from_receipt', 'in', ids),
);

/**
 * Links of a source are stored for all that went on from it, so one step back reaches every one. What a merge brought together
 * is in one place, and what was rejected never conforms.
 */
const besideFromSourcesOf = preparedForList((db, of: { readonly site: string }, ids) =>
  db
    .selectFrom('receipt_link as came')
    .innerJoin('receipt_link as beside', (join) =>
      join
        .onRef('beside.site', '=', 'came.site')
        .onRef('beside.from_receipt', '=', 'came.from_receipt'),
    )
    .select('beside.to_receipt')
    .distinct()
    .where('came.site', '=', of.site)
    .where('came.to_receipt', 'in', ids)
    .where('came.kind', 'in', GOES_ON)
    .where('beside.kind', 'not in', ['merged', 'split-off']),
);

/**
 * Who announced a receipt or changed it since, and whatever it was split off or merged from: the names of actors as
 * the trail has them, of people their account ids.
 */
export async function announcersOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<ReadonlySet<string>> {
  const names = new Set<string>();
  const seen = new Set<string>();
  // One after the other: most receipts come from no other, and a chain of them is short.
  for (const open = [receiptId]; open.length > 0; ) {
    const id = open.pop() ?? '';
    if (seen.has(id)) continue;
    seen.add(id);
    const revisions = await reader
      .selectFrom('receipt_revision')
      .select('actor')
      .distinct()
      .where('site', '=', site)
      .where('receipt_id', '=', id)
      .execute();
    for (const { actor } of revisions) names.add(actor);
    for (const link of await linksTo(reader, site, id)) {
      if (keepsEvidence(link.kind)) open.push(link.from_receipt);
    }
  }
  return names;
}

/** The receipts that went on from one, by being split off or merged from it, and from those. */
export async function receiptsGoingOn(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<readonly string[]> {
  const found = new Set<string>();
  for (const open = [receiptId]; open.length > 0; ) {
    for (const link of await linksFrom(reader, site, open.pop() ?? '')) {
      if (!keepsEvidence(link.kind) || found.has(link.to_receipt)) continue;
      found.add(link.to_receipt);
      open.push(link.to_receipt);
    }
  }
  return [...found];
}

/** Receipts that rejected containers of one went to. */
export async function departedFrom(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<readonly string[]> {
  const links = await linksFrom(reader, site, receiptId);
  return links.filter(({ kind }) => kind === 'split-off').map((link) => link.to_receipt);
}

/**
 * Where stands what is known of containers that began anew from a receipt: there, and at whatever went on from it, since
 * a split or a merge takes results along. Left out is what had departed from it before they went, unless it came back to
 * where the others are.
 */
export async function placesOfSource(
  reader: Reader,
  site: string,
  receiptId: string,
  departed: readonly string[],
): Promise<readonly string[]> {
  const gone = new Set(departed);
  for (const id of departed) {
    for (const further of await receiptsGoingOn(reader, site, id)) gone.add(further);
  }
  // Whatever went on from it, over however many steps, has a link from it of the kind by which it began to.
  const onward = (await linksFrom(reader, site, receiptId)).filter(
    ({ kind, to_receipt: to }) => keepsEvidence(kind) && !(kind === 'split-off' && gone.has(to)),
  );
  return [...new Set([receiptId, ...onward.map((link) => link.to_receipt)])];
}

/** What a receipt was split into, over however many steps, and when it was; null of one that was not. */
export async function partsOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<{ readonly dividedAt: Instant; readonly receiptIds: readonly string[] } | null> {
  const links = (await linksFrom(reader, site, receiptId)).filter(({ kind }) => kind === 'split');
  const [first] = links;
  if (first === undefined) return null;
  return { dividedAt: first.at, receiptIds: links.map((link) => link.to_receipt) };
}

/** Stores a link and marks both receipts as linked; what is not marked yet is locked. */
export async function insertLink(trx: Trx, row: Omit<ReceiptLinkRow, 'id'>): Promise<void> {
  await trx
    .insertInto('receipt_link')
    .values({ id: uuidv7(), ...row })
    .execute();
  await trx
    .updateTable('receipt')
    .set({ linked: 1 })
    .where('site', '=', row.site)
    .where('id', 'in', [row.from_receipt, row.to_receipt])
    .where('linked', '=', 0)
    .execute();
}

export async function insertRelabel(trx: Trx, row: Omit<ContainerRelabelRow, 'id'>): Promise<void> {
  await trx
    .insertInto('container_relabel')
    .values({ id: uuidv7(), ...row })
    .execute();
  const { site, receipt_id: receiptId, old_key: from, new_key: to } = row;
  await relabelDrum(trx, site, { receiptId, from, to });
}

export function relabelsOf(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
): Promise<ContainerRelabelRow[]> {
  return reader
    .selectFrom('container_relabel')
    .selectAll()
    .where('site', '=', site)
    .where('receipt_id', 'in', receiptIds)
    .orderBy('id')
    .execute();
}

/** What a statement rests on at a receipt that containers came from: what was not taken along. */
export interface LeftBehind {
  /** Row ids of its contrary results. */
  readonly contrary: readonly string[];
  readonly unplaced: number;
  readonly open: number;
}

export async function leftBehind(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<LeftBehind> {
  const results = await reader
    .selectFrom('result')
    .select(['id', 'contrary', 'container_label', NAMES_ANOTHER.as('names_another')])
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .where((e) =>
      e.or([e('contrary', '=', 1), e('container_label', 'is', null), e(NAMES_ANOTHER, '=', 1)]),
    )
    .execute();
  const open = await reader
    .selectFrom('discrepancy')
    .select('id')
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    // What the comparison finds follows from rows, and partly from the clock: statements read the rows themselves.
    .where(sql<boolean>`closed_at is null and derived = 0`)
    .execute();
  return {
    contrary: results.filter((r) => r.contrary === 1 || r.names_another === 1).map((r) => r.id),
    unplaced: results.filter((r) => r.container_label === null).length,
    open: open.length,
  };
}

/** A result that speaks against its receipt; `container` is the label there, null where it names none of its containers. */
export interface ResultAgainst {
  readonly id: string;
  readonly receiptId: string | null;
  readonly container: string | null;
}

/** A result of a drum whose GTIN and serial number were scanned, with what it may say against it. */
export type DrumResult = Pick<
  ResultRow,
  'id' | 'receipt_id' | 'contrary' | 'recheck' | 'decision' | 'matched_material' | 'drum_number'
> & { readonly names_another: 0 | 1 };

/** Results of drums of these numbers, whatever receipt they are of. */
export async function resultsOfDrums(
  reader: Reader,
  site: string,
  numbers: ReadonlySet<string>,
): Promise<DrumResult[]> {
  const found: DrumResult[] = [];
  const all = [...numbers];
  for (let i = 0; i < all.length; i += CHUNK) {
    found.push(...(await scannedAs(reader, { site }, all.slice(i, i + CHUNK))).rows);
  }
  return found;
}

const scannedAs = preparedForList((db, of: { readonly site: string }, numbers) =>
  db
    .selectFrom('result')
    .select(['id', 'receipt_id', 'contrary', 'recheck', 'decision', 'matched_material'])
    .select(['drum_number', NAMES_ANOTHER.as('names_another')])
    .where('site', '=', of.site)
    .where('drum_number', 'in', numbers)
    .orderBy('id'),
);

/**
 * Results of these receipts that speak against them: contrary, or a pass that the recheck disagrees with. A match that names
 * another material than its receipt is contrary, also where that was learned after it had come.
 */
export async function resultsAgainst(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
): Promise<ResultAgainst[]> {
  const rows = await reader
    .selectFrom('result')
    .select(['id', 'receipt_id', 'container_label', 'contrary', 'recheck'])
    .select(NAMES_ANOTHER.as('names_another'))
    .where('site', '=', site)
    .where('receipt_id', 'in', receiptIds)
    .where((e) => e.or([e('contrary', '=', 1), MAY_DISAGREE, e(NAMES_ANOTHER, '=', 1)]))
    .orderBy('id')
    .execute();
  return rows
    .filter((r) => r.contrary === 1 || r.names_another === 1 || doesDisagree(r.recheck))
    .map((r) => ({ id: r.id, receiptId: r.receipt_id, container: r.container_label }));
}

/** True when the recheck disagrees with a result of a receipt. */
export async function hasDisagreement(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<boolean> {
  const rows = await reader
    .selectFrom('result')
    .select('recheck')
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .where(MAY_DISAGREE)
    .execute();
  return rows.some((r) => doesDisagree(r.recheck));
}

/** 1 for a match that names another material than the receipt of the result expects. */
const NAMES_ANOTHER = sql<0 | 1>`(case when result.decision = 'match' and result.matched_material <>
  (select material from receipt where receipt.site = result.site and receipt.id = result.receipt_id)
  then 1 else 0 end)`;

/** Spares reading the rechecks of all results; the texts beside the answer may hold the word as well. */
const MAY_DISAGREE = sql<boolean>`recheck like '%disagrees%'`;

/** What a receipt was when containers of it went. */
export interface Standing {
  /** Of its latest stored statement; null when there is none. */
  readonly outcome: string | null;
  /** Stops latch. */
  readonly hadStop: boolean;
  /** The last signature under its statement, where that refuses it, as `secondPerson` reads it. */
  readonly refusal: Signature | null;
}

/** What a receipt is at this moment. */
export async function standingOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<Standing> {
  const latest = await reader
    .selectFrom('statement')
    .select('outcome')
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .orderBy('revision', 'desc')
    .limit(1)
    .executeTakeFirst();
  const stop = await reader
    .selectFrom('stop')
    .select('id')
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .limit(1)
    .executeTakeFirst();
  return {
    outcome: latest?.outcome ?? null,
    hadStop: stop !== undefined,
    refusal: await refusalOf(reader, site, receiptId),
  };
}

/** The signature that refuses a receipt's statement; null when another came behind it, or none is there. */
export async function refusalOf(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<Signature | null> {
  const last = await latestSignatureOf(reader, site, { kind: 'statement', id: receiptId });
  return last?.meaning === 'refused' ? last : null;
}

/** Gives results, deliveries and numbers of some containers to the receipt those went to. */
export async function moveEvidence(
  trx: Trx,
  site: string,
  move: { readonly from: string; readonly to: string; readonly labels: readonly string[] },
): Promise<number> {
  let moved = 0;
  const keys = move.labels.map(containerKey);
  await passDrumNumbers(trx, site, { from: move.from, to: move.to, keys });
  for (let i = 0; i < move.labels.length; i += CHUNK) {
    const labels = move.labels.slice(i, i + CHUNK);
    const ids = await trx
      .selectFrom('result')
      .select('id')
      .where('site', '=', site)
      .where('receipt_id', '=', move.from)
      .where('container_label', 'in', labels)
      .execute();
    for (let j = 0; j < ids.length; j += CHUNK) {
      const some = ids.slice(j, j + CHUNK).map(({ id }) => id);
      await trx
        .updateTable('result')
        .set({ receipt_id: move.to })
        .where('id', 'in', some)
        .execute();
      await trx
        .updateTable('delivery')
        .set({ receipt_id: move.to })
        .where('site', '=', site)
        .where('subject_kind', '=', 'result')
        .where('subject_id', 'in', some)
        .execute();
      await passFindings(trx, site, some, move.to);
    }
    await trx
      .updateTable('discrepancy')
      .set({ receipt_id: move.to })
      .where('site', '=', site)
      .where('receipt_id', '=', move.from)
      .where('container_label', 'in', labels)
      .where('closed_at', 'is', null)
      .execute();
    moved += ids.length;
  }
  return moved;
}

/** Values bound in one `in (…)`. */
const CHUNK = 1000;

/** Gives results the label that their container carries now. */
export async function relabelResults(
  trx: Trx,
  site: string,
  of: { readonly receiptId: string; readonly from: string; readonly to: string },
): Promise<void> {
  await trx
    .updateTable('result')
    .set({ container_label: of.to })
    .where('site', '=', site)
    .where('receipt_id', '=', of.receiptId)
    .where('container_label', '=', of.from)
    .execute();
  await trx
    .updateTable('discrepancy')
    .set({ container_label: of.to })
    .where('site', '=', site)
    .where('receipt_id', '=', of.receiptId)
    .where('container_label', '=', of.from)
    .where('closed_at', 'is', null)
    .execute();
}

/**
 * Receipts, other than those named, that list a container of one of these keys, or one that carries the same GTIN and serial
 * number or did before its label was printed anew: open ones, and those cancelled under which something was measured, which
 * stands against the very drum when it is announced anew.
 */
export async function receiptsListing(
  reader: Reader,
  site: string,
  keys: readonly string[],
  except: ReadonlySet<string>,
): Promise<{ readonly receiptId: string; readonly key: string }[]> {
  /** The key that was asked for, by each key under which a receipt lists it. */
  const asked = new Map(keys.map((key) => [key, key]));
  const byNumber = new Map<string, string>();
  for (const key of keys) {
    const number = drumNumber(key);
    if (number !== null) byNumber.set(number, key);
  }
  const drums = new Map<string, string>();
  for (const drum of await receiptsOfDrums(reader, site, byNumber.keys())) {
    const key = byNumber.get(drum.number) ?? '';
    drums.set(JSON.stringify([drum.receipt_id, drum.key]), key);
    if (!asked.has(drum.key)) asked.set(drum.key, key);
  }
  const found: { receiptId: string; key: string }[] = [];
  const all = [...asked.keys()];
  for (let i = 0; i < all.length; i += CHUNK) {
    const rows = await reader
      .selectFrom('container')
      .innerJoin('receipt', (join) =>
        join
          .onRef('receipt.site', '=', 'container.site')
          .onRef('receipt.id', '=', 'container.receipt_id'),
      )
      .select(['container.receipt_id', 'container.normalised'])
      .where('container.site', '=', site)
      .where('container.normalised', 'in', all.slice(i, i + CHUNK))
      .where((e) =>
        e.or([
          e('receipt.status', '=', 'open'),
          e.and([
            e('receipt.status', '=', 'cancelled'),
            e.exists(
              e
                .selectFrom('result')
                .select('result.id')
                .whereRef('result.site', '=', 'receipt.site')
                .whereRef('result.receipt_id', '=', 'receipt.id'),
            ),
          ]),
        ]),
      )
      .execute();
    for (const row of rows) {
      const { receipt_id: receiptId, normalised } = row;
      if (except.has(receiptId)) continue;
      const drum = drums.get(JSON.stringify([receiptId, normalised]));
      // A running number that a drum carries elsewhere is no label of this one.
      if (drum === undefined && asked.get(normalised) !== normalised) continue;
      found.push({ receiptId, key: drum ?? normalised });
    }
  }
  return found;
}

/** What a caller's key was used for; null when it is new. */
export async function requestUnderKey(
  reader: Reader,
  caller: string,
  key: string,
): Promise<ReceiptRequestRow | null> {
  const row = await reader
    .selectFrom('receipt_request')
    .selectAll()
    .where('caller', '=', caller)
    .where('key', '=', key)
    .executeTakeFirst();
  return row ?? null;
}

/** False when another request took the key meanwhile. */
export async function keepRequest(trx: Trx, row: ReceiptRequestRow): Promise<boolean> {
  const { numInsertedOrUpdatedRows } = await trx
    .insertInto('receipt_request')
    .values(row)
    .onConflict((c) => c.doNothing())
    .executeTakeFirst();
  return numInsertedOrUpdatedRows === 1n;
}

/** Puts a signed act to the links of a receipt that have none; a merge takes none. */
export async function signLinks(
  trx: Trx,
  site: string,
  toReceipt: string,
  signatureId: string,
): Promise<void> {
  await trx
    .updateTable('receipt_link')
    .set({ signature_id: signatureId })
    .where('site', '=', site)
    .where('to_receipt', '=', toReceipt)
    .where('kind', '<>', 'merged')
    .where('signature_id', 'is', null)
    .execute();
}

/** Whoever measured these results, as the instruments reported them. */
export async function operatorsOfResults(
  reader: Reader,
  rowIds: readonly string[],
): Promise<(string | null)[]> {
  const found = new Set<string | null>();
  for (let i = 0; i < rowIds.length; i += CHUNK) {
    const rows = await reader
      .selectFrom('result')
      .select('operator_id')
      .distinct()
      .where('id', 'in', rowIds.slice(i, i + CHUNK))
      .execute();
    for (const row of rows) found.add(row.operator_id);
  }
  return [...found];
}

/** Whoever measured for these receipts, as the instruments reported them. */
export async function operatorsOf(
  reader: Reader,
  site: string,
  receiptIds: readonly string[],
): Promise<(string | null)[]> {
  const found = new Set<string | null>();
  for (let i = 0; i < receiptIds.length; i += CHUNK) {
    const rows = await reader
      .selectFrom('result')
      .select('operator_id')
      .distinct()
      .where('site', '=', site)
      .where('receipt_id', 'in', receiptIds.slice(i, i + CHUNK))
      .execute();
    for (const row of rows) found.add(row.operator_id);
  }
  return [...found];
}
