import { readFile } from 'node:fs/promises';
import { loadBundleSchema } from '../checks/bundle-schema.files.js';
import { isHeld, type ReadableExamination } from '../checks/examination.js';
import { examineBundle } from '../checks/examine-bundle.js';
import type { Instant } from '../formats/instant.js';
import { buildPayload } from '../mapping/build-payload.service.js';
import type { CompiledMapping } from '../mapping/compiled-mapping.js';
import type { ExpressionPool } from '../mapping/expression.pool.js';
import {
  type IdentifierCollision,
  identifierCollisions,
} from '../mapping/identifier-collisions.js';
import { describeProblem } from '../mapping/mapping-problem.js';
import type { PayloadTree } from '../mapping/payload-tree.js';
import { sampleSubjects } from '../mapping/sample-subjects.js';
import { resultSubject, type Subject } from '../mapping/subjects.js';
import { buildResultRecord } from '../records/build-record.js';
import type { MessageName } from '../site/mapping-document.js';
import type { SiteFolder } from '../site/site-folder.js';

export interface PreviewedPayload {
  /** Result id, or `invented sample`. */
  readonly subject: string;
  /** True when a finding holds the result: it would not be sent. */
  readonly held: boolean;
  readonly request: { readonly method: string; readonly path: string } | null;
  readonly contentType: string | null;
  /** The payload byte for byte, as text; null when it cannot be built. */
  readonly payload: string | null;
  readonly permitsRelease: boolean;
  readonly problems: readonly string[];
}

export interface Preview {
  readonly payloads: readonly PreviewedPayload[];
  readonly collisions: readonly IdentifierCollision[];
  /** What keeps the bundle as a whole from being sent. */
  readonly bundleFindings: readonly string[];
}

interface PreviewItem {
  readonly name: string;
  readonly held: boolean;
  readonly subject: Subject;
}

/** Shows what a mapping would make of every result of a bundle, without a server and sending nothing. */
export async function previewBundle(
  file: string,
  site: SiteFolder,
  mapping: CompiledMapping,
  pool: ExpressionPool,
  now: Instant,
): Promise<Preview> {
  const examination = examineBundle(await readFile(file), site, {
    now,
    validateSchema: loadBundleSchema(),
  });
  if (examination.kind === 'unreadable') {
    const { code, message, advice } = examination.finding;
    return { payloads: [], collisions: [], bundleFindings: [`${code}: ${message}. ${advice}`] };
  }
  const preview = await previewItems(resultItems(examination, now), mapping, pool);
  const findings = examination.bundleFindings.map((f) => `${f.severity} ${f.code}: ${f.message}`);
  return { ...preview, bundleFindings: findings };
}

/** Shows one message made from an invented sample: statements and stops exist only in a running service. */
export async function previewSample(
  message: MessageName,
  mapping: CompiledMapping,
  pool: ExpressionPool,
): Promise<Preview> {
  const items = sampleSubjects()
    .filter((subject) => subject.message === message)
    .map((subject) => ({ name: 'invented sample', held: false, subject }));
  return { ...(await previewItems(items, mapping, pool)), bundleFindings: [] };
}

function resultItems(examination: ReadableExamination, now: Instant): PreviewItem[] {
  const { document } = examination;
  if (document === null) return [];
  return examination.results.flatMap((examined, index): PreviewItem[] => {
    if (examined.result === null || examined.reading.measuredAt === null) return [];
    const record = buildResultRecord({
      bundle: document,
      result: examined.result,
      pointer: examined.pointer,
      revision: 1,
      rawSha256: examination.rawSha256,
      receivedAt: now,
      recheck: examined.recheck,
      spectrum: examined.spectrum,
      remarkCodes: examined.findings.filter((f) => f.severity === 'remark').map((f) => f.code),
    });
    const reference = `preview-${index + 1}`;
    const head = { reference, idempotencyKey: reference, build: 1 };
    return [
      {
        name: record.resultId,
        held: isHeld(examined.findings) || isHeld(examination.bundleFindings),
        // Which receipt a scan belongs to is known to a running service only.
        subject: resultSubject(head, record, null),
      },
    ];
  });
}

async function previewItems(
  items: readonly PreviewItem[],
  mapping: CompiledMapping,
  pool: ExpressionPool,
): Promise<Pick<Preview, 'payloads' | 'collisions'>> {
  const payloads: PreviewedPayload[] = [];
  const trees: PayloadTree[] = [];
  for (const { name, held, subject } of items) {
    const outcome = await buildPayload(mapping, subject, pool);
    if (outcome.ok) {
      const { bytes, contentType, request, permitsRelease, tree } = outcome.payload;
      const payload = Buffer.from(bytes).toString('utf8');
      trees.push(tree);
      payloads.push({
        subject: name,
        held,
        request,
        contentType,
        payload,
        permitsRelease,
        problems: [],
      });
    } else {
      const problems = outcome.problems.map(describeProblem);
      const nothing = { request: null, contentType: null, payload: null, permitsRelease: false };
      payloads.push({ subject: name, held, ...nothing, problems });
    }
  }
  const message = items[0]?.subject.message;
  const rules = message === undefined ? undefined : mapping.messages.get(message)?.mapping;
  return { payloads, collisions: rules ? identifierCollisions(rules, trees) : [] };
}
