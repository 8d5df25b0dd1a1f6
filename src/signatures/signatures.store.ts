import { sql } from 'kysely';
import type { Sha256 } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { bounded, prepared, preparedForList } from '../storage/prepared.js';
import type { SignatureRow } from '../storage/tables.js';
import type { Meaning, Signature, SignatureSubject } from './signature.js';
import type { Sitting } from './sitting.js';
import { namedSignature, type SigningEntry } from './verify-signatures.js';

/** Values bound in one `in (…)`. */
const CHUNK = 1000;

export async function insertSignature(trx: Trx, signature: Signature): Promise<void> {
  await trx
    .insertInto('signature')
    .values({
      id: signature.id,
      site: signature.site,
      at: signature.at,
      zone: signature.zone,
      account_id: signature.accountId,
      user_name: signature.userName,
      printed_name: signature.printedName,
      meaning: signature.meaning,
      subject_kind: signature.subject.kind,
      subject_id: signature.subject.id,
      subject_revision: signature.subject.revision,
      shown: signature.shown,
      shown_sha256: signature.shownSha256,
      reason: signature.reason,
      source: signature.source,
      series: signature.series,
      series_number: signature.seriesNumber,
      components: signature.components,
      digest: signature.digest,
    })
    .execute();
}

export function signatureOf(row: SignatureRow): Signature {
  return {
    id: row.id,
    site: row.site,
    at: row.at,
    zone: row.zone,
    accountId: row.account_id,
    userName: row.user_name,
    printedName: row.printed_name,
    meaning: row.meaning as Meaning,
    subject: { kind: row.subject_kind, id: row.subject_id, revision: row.subject_revision },
    shown: row.shown,
    shownSha256: row.shown_sha256 as Sha256,
    reason: row.reason,
    source: row.source,
    series: row.series,
    seriesNumber: row.series_number,
    components: row.components,
    digest: row.digest as Sha256,
  };
}

/** Signatures of these ids, in the order they were made. */
export async function signaturesByIds(
  reader: Reader,
  site: string,
  ids: readonly string[],
): Promise<Signature[]> {
  const found: Signature[] = [];
  for (let i = 0; i < ids.length; i += CHUNK) {
    const { rows } = await byIds(reader, { site }, ids.slice(i, i + CHUNK));
    found.push(...rows.map(signatureOf));
  }
  return found.sort((a, b) => a.at - b.at || (a.id < b.id ? -1 : 1));
}

const byIds = preparedForList((db, of: { readonly site: string }, ids) =>
  db.selectFrom('signature').selectAll().where('site', '=', of.site).where('id', 'in', ids),
);

/** Every signature about one subject, in the order they were made. */
export async function signaturesOf(
  reader: Reader,
  site: string,
  subject: Pick<SignatureSubject, 'kind' | 'id'>,
): Promise<Signature[]> {
  const { rows } = await ofSubject(reader, { site, kind: subject.kind, id: subject.id });
  return rows.map(signatureOf);
}

const ofSubject = prepared(
  (db, of: { readonly site: string; readonly kind: string; readonly id: string }) =>
    db
      .selectFrom('signature')
      .selectAll()
      .where('site', '=', of.site)
      .where('subject_kind', '=', of.kind)
      .where('subject_id', '=', of.id)
      .orderBy('at')
      .orderBy('id'),
);

/** The signature that was made last about one subject, null when there is none. */
export async function latestSignatureOf(
  reader: Reader,
  site: string,
  { kind, id }: Pick<SignatureSubject, 'kind' | 'id'>,
): Promise<Signature | null> {
  const [row] = (await latestOfSubject(reader, { site, kind, id })).rows;
  return row ? signatureOf(row) : null;
}

const latestOfSubject = prepared(
  (db, of: { readonly site: string; readonly kind: string; readonly id: string }) =>
    db
      .selectFrom('signature')
      .selectAll()
      .where('site', '=', of.site)
      .where('subject_kind', '=', of.kind)
      .where('subject_id', '=', of.id)
      .orderBy('at', 'desc')
      .orderBy('id', 'desc')
      .limit(bounded(1)),
);

/** The signature that was made last about each of these subjects of one kind, by their ids. */
export async function latestSignaturesOf(
  reader: Reader,
  site: string,
  kind: string,
  ids: readonly string[],
): Promise<Map<string, Signature>> {
  const latest = new Map<string, Signature>();
  for (let i = 0; i < ids.length; i += CHUNK) {
    const { rows } = await ofSubjects(reader, { site, kind }, ids.slice(i, i + CHUNK));
    for (const signature of rows.map(signatureOf)) {
      const known = latest.get(signature.subject.id);
      if (known === undefined || isLater(signature, known)) {
        latest.set(signature.subject.id, signature);
      }
    }
  }
  return latest;
}

function isLater(a: Signature, b: Signature): boolean {
  return a.at > b.at || (a.at === b.at && a.id > b.id);
}

const ofSubjects = preparedForList(
  (db, of: { readonly site: string; readonly kind: string }, ids) =>
    db
      .selectFrom('signature')
      .selectAll()
      .where('site', '=', of.site)
      .where('subject_kind', '=', of.kind)
      .where('subject_id', 'in', ids),
);

/** Signatures of a site behind an id, in the order of their ids. */
export async function signaturesAfter(
  reader: Reader,
  site: string,
  id: string,
  limit: number,
): Promise<Signature[]> {
  const rows = await reader
    .selectFrom('signature')
    .selectAll()
    .where('site', '=', site)
    .where('id', '>', id)
    .orderBy('id')
    .limit(limit)
    .execute();
  return rows.map(signatureOf);
}

/** Entries of a site's trail that name a signature; of one subject when given. */
export async function signingEntries(
  reader: Reader,
  site: string,
  subject?: Pick<SignatureSubject, 'kind' | 'id'>,
): Promise<SigningEntry[]> {
  const rows = await reader
    .selectFrom('audit_entry')
    .select(['id', 'at', 'actor', 'subject_kind', 'subject_id', 'after'])
    .where('site', '=', site)
    .where('actor_kind', '=', 'person')
    .where('after', 'like', '%"signature":{%')
    .$if(subject !== undefined, (q) =>
      q.where('subject_kind', '=', subject?.kind ?? '').where('subject_id', '=', subject?.id ?? ''),
    )
    .orderBy('id')
    .execute();
  return rows.flatMap((row) => {
    const named = namedSignature(row.after);
    return named === null
      ? []
      : [
          {
            entryId: row.id,
            at: row.at,
            actor: row.actor,
            subjectKind: row.subject_kind,
            subjectId: row.subject_id,
            signatureId: named.id,
            signatureDigest: named.digest,
          },
        ];
  });
}

/** The latest instant at which anything was signed or entered in the trail about a subject. */
export async function lastEntryAt(
  reader: Reader,
  site: string,
  { kind, id }: Pick<SignatureSubject, 'kind' | 'id'>,
): Promise<Instant | null> {
  const signed = await reader
    .selectFrom('signature')
    .select((eb) => eb.fn.max('at').as('at'))
    .where('site', '=', site)
    .where('subject_kind', '=', kind)
    .where('subject_id', '=', id)
    .executeTakeFirst();
  const entered = await reader
    .selectFrom('audit_entry')
    .select((eb) => eb.fn.max('at').as('at'))
    .where('site', '=', site)
    .where('subject_kind', '=', kind)
    .where('subject_id', '=', id)
    .executeTakeFirst();
  const known = [signed?.at, entered?.at].filter((at) => at !== null && at !== undefined);
  return known.length === 0 ? null : (Math.max(...known) as Instant);
}

/** The sitting of a session that nothing ended yet. */
export async function openSitting(reader: Reader, sessionId: string): Promise<Sitting | null> {
  const row = await reader
    .selectFrom('signing_sitting')
    .selectAll()
    .where('session_id', '=', sessionId)
    .where('ended_at', 'is', null)
    .executeTakeFirst();
  return row
    ? {
        id: row.id,
        accountId: row.account_id,
        lastAt: row.last_at,
        signed: row.signed,
        endedAt: row.ended_at,
      }
    : null;
}

/** Begins a sitting; false when the session has begun one at the same moment. */
export async function insertSitting(
  trx: Trx,
  sitting: {
    readonly id: string;
    readonly site: string;
    readonly accountId: string;
    readonly sessionId: string;
    readonly at: Instant;
  },
): Promise<boolean> {
  const { numInsertedOrUpdatedRows } = await trx
    .insertInto('signing_sitting')
    .values({
      id: sitting.id,
      site: sitting.site,
      account_id: sitting.accountId,
      session_id: sitting.sessionId,
      last_at: sitting.at,
      signed: 1,
      ended_at: null,
    })
    .onConflict((c) => c.doNothing())
    .executeTakeFirst();
  return numInsertedOrUpdatedRows === 1n;
}

/** Counts one more signature; null when the sitting was ended meanwhile. */
export async function continueSitting(trx: Trx, id: string, at: Instant): Promise<number | null> {
  const row = await trx
    .updateTable('signing_sitting')
    .set({ signed: sql<number>`signed + 1`, last_at: at })
    .where('id', '=', id)
    .where('ended_at', 'is', null)
    .returning('signed')
    .executeTakeFirst();
  return row?.signed ?? null;
}

export async function endSitting(trx: Trx, sessionId: string, at: Instant): Promise<void> {
  await trx
    .updateTable('signing_sitting')
    .set({ ended_at: at })
    .where('session_id', '=', sessionId)
    .where('ended_at', 'is', null)
    .execute();
}
