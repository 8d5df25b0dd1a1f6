import type { Reader } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';

/** Messages about other revisions or of other kinds that come after it in its key: whether any, and whether any may have left. */
export async function whatFollows(
  reader: Reader,
  row: DeliveryRow,
): Promise<{ readonly isFollowed: boolean; readonly laterHasLeft: boolean }> {
  const later = await reader
    .selectFrom('delivery')
    .select(['subject_kind', 'subject_id', 'subject_revision', 'state', 'attempts'])
    .select(['ask_since', 'next_ask_at', 'payload_sha256'])
    .where('site', '=', row.site)
    .where('destination', '=', row.destination)
    .where('ordering_key', '=', row.ordering_key)
    .where('seq', '>', row.seq)
    .execute();
  const others = later.filter(
    (d) =>
      d.subject_kind !== row.subject_kind ||
      d.subject_id !== row.subject_id ||
      d.subject_revision !== row.subject_revision,
  );
  const standing = others.filter((d) => d.state !== 'cancelled' && d.state !== 'superseded');
  return {
    isFollowed: standing.length > 0,
    laterHasLeft: others.some((d) => d.attempts > 0 || d.state === 'confirmed' || isInQuestion(d)),
  };
}

/**
 * A life before a restore may have sent it, and it is asked about now or once it is built: by itself, whatever waits before
 * it. What nobody asks about any more (parked, or doubtful under a key that is honoured) waits for this one to leave.
 */
function isInQuestion(
  row: Pick<DeliveryRow, 'state' | 'ask_since' | 'next_ask_at' | 'payload_sha256'>,
): boolean {
  if (row.ask_since === null) return false;
  if (row.state === 'uncertain') return row.next_ask_at !== null;
  return (row.state === 'due' || row.state === 'building') && row.payload_sha256 === null;
}

/** What a delivery speaks of, as people know it: `NQ-R-0001-1-R2, container D-02`; else the subject's id. */
export async function subjectName(
  reader: Reader,
  row: Pick<DeliveryRow, 'subject_kind' | 'subject_id'>,
): Promise<string> {
  if (row.subject_kind !== 'result' && row.subject_kind !== 'withdrawal') return row.subject_id;
  const results = reader
    .selectFrom('result')
    .select(['result.result_id', 'result.container_label']);
  const found = await (row.subject_kind === 'result'
    ? results.where('result.id', '=', row.subject_id)
    : results
        .innerJoin('withdrawal', 'withdrawal.result_row_id', 'result.id')
        .where('withdrawal.id', '=', row.subject_id)
  ).executeTakeFirst();
  if (found === undefined) return row.subject_id;
  const { result_id: id, container_label: label } = found;
  return label === null ? id : `${id}, container ${label}`;
}

/** Why what a delivery says is not what stands now (rules 21 and 25); null while it is. */
export async function overtakenBy(reader: Reader, row: DeliveryRow): Promise<string | null> {
  switch (row.subject_kind) {
    case 'result':
      return await resultOvertaken(reader, row);
    // Neither changes any more: an addendum is a revision of its own, and goes out behind the close.
    case 'withdrawal':
    case 'period':
      return null;
    case 'statement':
      return await statementOvertaken(reader, row);
    case 'stop':
      return await stopOvertaken(reader, row);
    case 'stop-escalation':
      return await escalationOvertaken(reader, row);
  }
}

async function resultOvertaken(reader: Reader, row: DeliveryRow): Promise<string | null> {
  const result = await reader
    .selectFrom('result')
    .select(['state', 'revision'])
    .where('id', '=', row.subject_id)
    .executeTakeFirst();
  if (result === undefined) return 'the result is not there any more';
  if (result.state !== 'accepted') return `the result is ${result.state}`;
  if (result.revision === row.subject_revision) return null;
  return `revision ${result.revision} of the result stands`;
}

async function statementOvertaken(reader: Reader, row: DeliveryRow): Promise<string | null> {
  const { revision } = await reader
    .selectFrom('statement')
    .select((eb) => eb.fn.max('revision').as('revision'))
    .where('site', '=', row.site)
    .where('receipt_id', '=', row.subject_id)
    .executeTakeFirstOrThrow();
  if (revision !== null && Number(revision) > row.subject_revision) {
    return `revision ${revision} of the statement stands`;
  }
  const receipt = await reader
    .selectFrom('receipt')
    .select('revision_floor')
    .where('site', '=', row.site)
    .where('id', '=', row.subject_id)
    .executeTakeFirst();
  if (receipt !== undefined && receipt.revision_floor >= row.subject_revision) {
    return `revision ${receipt.revision_floor} is held there from before a restore`;
  }
  if (row.barrier === 0) return null;
  const stop = await reader
    .selectFrom('stop')
    .select('id')
    .where('site', '=', row.site)
    .where('receipt_id', '=', row.subject_id)
    .where('lifted_at', 'is', null)
    .limit(1)
    .executeTakeFirst();
  return stop === undefined ? null : `stop ${stop.id} is in force`;
}

async function stopOvertaken(reader: Reader, row: DeliveryRow): Promise<string | null> {
  const stop = await reader
    .selectFrom('stop')
    .select('lifted_at')
    .where('id', '=', row.subject_id)
    .executeTakeFirst();
  if (stop === undefined) return 'the stop is not there any more';
  if (stop.lifted_at !== null) return 'the stop was lifted by signature';
  const later = await reader
    .selectFrom('delivery')
    .select('subject_revision')
    .where('site', '=', row.site)
    .where('receipt_id', '=', row.receipt_id)
    .where('destination', '=', row.destination)
    .where('message', '=', 'stop')
    .where('subject_revision', '>', row.subject_revision)
    .orderBy('subject_revision', 'desc')
    .limit(1)
    .executeTakeFirst();
  return later === undefined ? null : `a stop of revision ${later.subject_revision} says the same`;
}

async function escalationOvertaken(reader: Reader, row: DeliveryRow): Promise<string | null> {
  const stop = await reader
    .selectFrom('stop_escalation')
    .innerJoin('stop', 'stop.id', 'stop_escalation.stop_id')
    .select(['stop.effective_at', 'stop.lifted_at'])
    .where('stop_escalation.id', '=', row.subject_id)
    .executeTakeFirst();
  if (stop === undefined) return 'the stop is not there any more';
  if (stop.lifted_at !== null) return 'the stop was lifted by signature';
  return stop.effective_at === null ? null : 'the stop is effective';
}
