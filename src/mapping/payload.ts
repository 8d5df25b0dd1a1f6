import { writeXmlTree } from '../formats/xml-tree.js';
import type { FieldMapping, MappingDocument, MessageMapping } from '../site/mapping-document.js';
import { type FieldRefusal, fieldValue } from './field-value.js';
import type { MappingProblem, MappingProblemCode } from './mapping-problem.js';
import { emptyTree, type PayloadTree, putAt } from './payload-tree.js';
import { readPermits } from './permit-reading.js';
import { fillRequestPath } from './request-path.js';
import { mayPermitRelease, type Subject } from './subjects.js';

/** A message ready to be stored and sent. */
export interface BuiltPayload {
  readonly bytes: Uint8Array;
  readonly contentType: string;
  readonly tree: PayloadTree;
  /** Path relative to the endpoint's base address, placeholders filled. */
  readonly request: { readonly method: MessageMapping['request']['method']; readonly path: string };
  /** True only for a *conforms* that shows a value permitting release. */
  readonly permitsRelease: boolean;
}

export type BuildOutcome =
  | { readonly ok: true; readonly payload: BuiltPayload }
  | { readonly ok: false; readonly problems: readonly MappingProblem[] };

/** What each field's expression yielded, in the order of the fields. */
export type FieldInput =
  | { readonly ok: true; readonly value: unknown }
  | { readonly ok: false; readonly problem: FieldRefusal };

/** Far beyond any message about one receipt; a mapping that yields more has gone wrong. */
const PAYLOAD_BYTES_MAX = 4_194_304;

/** As much of the tree as could be built, and what could not. */
export interface GrownTree {
  readonly tree: PayloadTree;
  readonly problems: readonly MappingProblem[];
}

/** The payload tree out of the fields' values; every problem at once. */
export function buildTree(
  document: MappingDocument,
  mapping: MessageMapping,
  subject: Subject,
  inputs: readonly FieldInput[],
): GrownTree {
  const tree = emptyTree();
  const problems: MappingProblem[] = [];
  for (const [index, field] of mapping.fields.entries()) {
    const input = inputs[index] ?? { ok: true, value: undefined };
    const raw = field.constant !== undefined ? { ok: true as const, value: field.constant } : input;
    const result = raw.ok ? fieldValue(field, tableOf(document, field), raw.value) : raw.problem;
    if (!result.ok) problems.push(fieldProblem(subject, field, result));
    else if (result.value !== undefined) putAt(tree, field.to, result.value);
  }
  return { tree, problems };
}

/**
 * Bytes and request of a tree, after the last look at what it permits. A tree with problems is looked at
 * too, so that a permission is never hidden behind another fault.
 */
export function finishPayload(
  document: MappingDocument,
  mapping: MessageMapping,
  subject: Subject,
  { tree, problems: earlier }: GrownTree,
): BuildOutcome {
  const problems = [...earlier];
  const reading = readPermits(tree, document.permits);
  const permit = permitProblem(document, subject, reading);
  const isWhole = earlier.every((found) => found.code === 'contract');
  if (permit && (isWhole || permit.code === 'permits-without-conforms')) problems.push(permit);
  if (earlier.length > 0) return { ok: false, problems };
  const written = writeBytes(document, tree);
  if (!written.ok) problems.push(problem(subject, 'lossy-character', written.at, written.detail));
  const names = { key: subject.idempotencyKey, deliveryId: subject.reference };
  const path = fillRequestPath(mapping.request.path, names, tree);
  if (!path.ok) problems.push(problem(subject, 'request-path', null, path.detail));
  if (!written.ok || !path.ok || problems.length > 0) return { ok: false, problems };
  if (written.bytes.byteLength > PAYLOAD_BYTES_MAX) {
    const detail = `${written.bytes.byteLength} bytes, at most ${PAYLOAD_BYTES_MAX}`;
    return { ok: false, problems: [problem(subject, 'payload-too-large', null, detail)] };
  }
  return {
    ok: true,
    payload: {
      bytes: written.bytes,
      contentType:
        document.format === 'xml' ? 'application/xml; charset=utf-8' : 'application/json',
      tree,
      request: { method: mapping.request.method, path: path.path },
      permitsRelease: reading === 'exact',
    },
  };
}

function permitProblem(
  document: MappingDocument,
  subject: Subject,
  reading: ReturnType<typeof readPermits>,
): MappingProblem | null {
  const isAllowed = mayPermitRelease(subject);
  if (reading !== 'none' && (!isAllowed || reading === 'confusable')) {
    return problem(
      subject,
      'permits-without-conforms',
      document.permits[0]?.at ?? null,
      'the payload shows a value that permits release, or one too near to it, and only a conforms may',
    );
  }
  if (reading === 'none' && isAllowed && document.permits.length > 0) {
    return problem(
      subject,
      'conforms-without-permit',
      document.permits[0]?.at ?? null,
      'a conforms shows none of the values that permit release',
    );
  }
  return null;
}

type Written =
  | { readonly ok: true; readonly bytes: Uint8Array }
  | { readonly ok: false; readonly at: string; readonly detail: string };

function writeBytes(document: MappingDocument, tree: PayloadTree): Written {
  if (document.format === 'json')
    return { ok: true, bytes: Buffer.from(JSON.stringify(tree), 'utf8') };
  const xml = writeXmlTree(tree);
  if (!xml.ok) return { ok: false, at: xml.at, detail: xml.message };
  return { ok: true, bytes: Buffer.from(xml.text, 'utf8') };
}

function tableOf(document: MappingDocument, field: FieldMapping) {
  return field.table === undefined ? null : (document.tables[field.table] ?? {});
}

function fieldProblem(
  subject: Subject,
  field: FieldMapping,
  refusal: FieldRefusal,
): MappingProblem {
  const { code, detail, remedy } = refusal;
  return {
    code,
    message: subject.message,
    field: field.to,
    expression: field.from ?? null,
    detail,
    remedy,
  };
}

const REMEDIES: Partial<Record<MappingProblemCode, string>> = {
  'permits-without-conforms':
    'Correct the mapping: only the statement conforms may yield this value.',
  'conforms-without-permit': 'Map the outcome conforms to one of the values declared in permits.',
  'lossy-character': 'Correct the source: the character cannot be sent and is not replaced.',
  'request-path': 'Correct the path of the request in the mapping.',
  'payload-too-large': 'Map fewer values.',
};

function problem(
  subject: Subject,
  code: MappingProblemCode,
  field: string | null,
  detail: string,
): MappingProblem {
  const remedy = REMEDIES[code] ?? 'Correct the mapping.';
  return { code, message: subject.message, field, expression: null, detail, remedy };
}
