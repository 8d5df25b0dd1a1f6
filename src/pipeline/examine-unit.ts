import type { ExaminedResult, ReadableExamination } from '../checks/examination.js';
import { examineBundle } from '../checks/examine-bundle.js';
import { sha256 } from '../formats/canonical-json.js';
import { writeAniml } from '../records/animl-writer.js';
import { buildResultRecord, recordJson } from '../records/build-record.js';
import type { SiteFolder } from '../site/site-folder.js';
import {
  type BuiltRecord,
  type ExaminedUnit,
  type ExamineTask,
  withoutValues,
} from './examined-unit.js';

type Context = Parameters<typeof examineBundle>[2];

/** Checks, records and AnIML of one bundle: everything that needs its values and no history. */
export function examineUnit(
  task: ExamineTask,
  site: SiteFolder,
  validateSchema: Context['validateSchema'],
): ExaminedUnit {
  const examination = examineBundle(task.bytes, site, { now: task.now, validateSchema });
  if (examination.kind === 'unreadable') return examination;
  const records = examination.results.map((result) => buildRecord(examination, result, task));
  return {
    kind: 'readable',
    registry: task.registry,
    examination: {
      ...examination,
      document: withoutParts(examination),
      results: examination.results.map(withoutValues),
      performanceChecks: examination.performanceChecks.map((check) => ({
        ...check,
        check: check.check === null ? null : { ...check.check, spectrum: null },
      })),
    },
    records,
  };
}

function buildRecord(
  examination: ReadableExamination,
  examined: ExaminedResult,
  task: ExamineTask,
): BuiltRecord | null {
  const { document } = examination;
  // A time that cannot be read is a finding that holds the result; no record can be built on it.
  if (document === null || examined.result === null || examined.reading.measuredAt === null)
    return null;
  const record = buildResultRecord({
    bundle: document,
    result: examined.result,
    pointer: examined.pointer,
    revision: 1,
    rawSha256: examination.rawSha256,
    receivedAt: task.receivedAt,
    recheck: examined.recheck,
    spectrum: examined.spectrum,
    remarkCodes: examined.findings.filter((f) => f.severity === 'remark').map((f) => f.code),
  });
  const json = recordJson(record);
  return { json, sha256: sha256(json), animlSha256: sha256(writeAniml(record, examined.values)) };
}

/** Results and checks come back beside it; twice would be copied twice. */
function withoutParts(examination: ReadableExamination): ReadableExamination['document'] {
  return examination.document === null
    ? null
    : { ...examination.document, results: [], performanceChecks: [] };
}
