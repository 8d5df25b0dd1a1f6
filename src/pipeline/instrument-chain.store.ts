import type { ReadableExamination } from '../checks/examination.js';
import { joinSpans, type RunRange, rangesOf, spansOfEpoch } from '../checks/run-ranges.js';
import type { Instant } from '../formats/instant.js';
import { closeByEvidence } from '../reconciliation/discrepancies.store.js';
import type { Trx } from '../storage/database.js';
import { loadInstrumentState, readCovered } from './history.store.js';
import { afterGapSubjects, gapSubject, gapSubjectPrefix } from './unowned-evidence.js';

interface Place {
  readonly rowId: string;
  readonly site: string;
}

/**
 * Notes what the bundle says about its instrument: runs accounted for also when the bundle is held, so that
 * a held bundle is one discrepancy and not a gap besides; heard only when it was accepted.
 */
export async function storeInstrumentState(
  trx: Trx,
  place: Place,
  examination: ReadableExamination,
  isHeard: boolean,
  receivedAt: Instant,
): Promise<void> {
  const { header } = examination;
  if (header.instrumentSerial === null || header.runEpoch === null) return;
  const before = await loadInstrumentState(trx, place.site, header.instrumentSerial);
  const covered = joinRanges([...(before ? readCovered(before) : []), ...examination.accounted]);
  const isLater = !before || header.runEpoch >= before.epoch;
  const lastRun = header.runLast ?? 0;
  const row = {
    site: place.site,
    serial: header.instrumentSerial,
    epoch: isLater ? header.runEpoch : (before?.epoch ?? header.runEpoch),
    last_run: isLater
      ? Math.max(lastRun, before?.epoch === header.runEpoch ? before.last_run : 0)
      : (before?.last_run ?? lastRun),
    last_bundle_sha256: examination.rawSha256,
    heard_at: isHeard
      ? later(before?.heard_at ?? NEVER, heardThrough(header, receivedAt))
      : (before?.heard_at ?? NEVER),
    covered: JSON.stringify(covered),
  };
  await trx
    .insertInto('instrument_state')
    .values(row)
    .onConflict((c) => c.columns(['site', 'serial']).doUpdateSet(row))
    .execute();
}

/** Closes the gaps of this instrument and epoch that this bundle filled, wholly or by a part. */
export async function closeFilledGaps(
  trx: Trx,
  place: Place,
  examination: ReadableExamination,
  stillOpen: readonly RunRange[],
  now: Instant,
): Promise<void> {
  const { instrumentSerial, runEpoch } = examination.header;
  if (instrumentSerial === null || runEpoch === null) return;
  const open = await trx
    .selectFrom('discrepancy')
    .select('subject')
    .where('site', '=', place.site)
    .where('class', '=', 'run-gap')
    .where('closed_at', 'is', null)
    .where('subject', '>=', gapSubjectPrefix(instrumentSerial, runEpoch))
    .where('subject', '<', afterGapSubjects(instrumentSerial, runEpoch))
    .execute();
  const still = new Set(stillOpen.map((gap) => gapSubject(instrumentSerial, gap)));
  for (const { subject } of open) {
    if (still.has(subject)) continue;
    await closeByEvidence(trx, {
      site: place.site,
      class: 'run-gap',
      subject,
      evidence: `bundle:${place.rowId}`,
      closedAt: now,
    });
  }
}

const NEVER = 0 as Instant;

/** The slower of the clocks, and never past our own: a clock ahead must not make an instrument heard early. */
function heardThrough(header: ReadableExamination['header'], receivedAt: Instant): Instant {
  const clocks = [header.instrumentClock, header.syncPcClock].filter((clock) => clock !== null);
  return clocks.length < 2 ? NEVER : (Math.min(...clocks, receivedAt) as Instant);
}

function later(a: Instant, b: Instant): Instant {
  return a > b ? a : b;
}

function joinRanges(ranges: readonly RunRange[]): RunRange[] {
  const epochs = [...new Set(ranges.map((range) => range.epoch))].sort((a, b) => a - b);
  return epochs.flatMap((epoch) => [...rangesOf(joinSpans(spansOfEpoch(ranges, epoch)), epoch)]);
}
