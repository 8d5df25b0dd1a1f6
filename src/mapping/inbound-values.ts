import { readWallTime } from '../formats/wall-time.js';
import type { InboundDocument, InboundField } from '../site/inbound-document.js';
import { type FieldRefusal, fieldValue } from './field-value.js';
import { compileInboundPath } from './inbound-path.js';
import type { InboundTarget } from './inbound-targets.js';

/** What one field holds: a text, a list of texts, or nothing. */
export type InboundValue =
  | { readonly ok: true; readonly value: string | readonly string[] | undefined }
  | FieldRefusal;

/** What an expression yielded, or why it yielded nothing. */
export type ExpressionValue =
  | { readonly ok: true; readonly value: unknown }
  | { readonly ok: false; readonly refusal: FieldRefusal };

/** The value of one field of one record. Nothing is cut, folded, converted or made up; what does not fit is refused. */
export function inboundValue(
  field: InboundField,
  target: InboundTarget,
  of: {
    readonly subject: unknown;
    readonly expression: ExpressionValue | null;
    readonly document: InboundDocument;
    readonly timeZone: string;
  },
): InboundValue {
  const raw = rawValue(field, of.subject, of.expression);
  if (!raw.ok) return raw;
  const table = field.table === undefined ? null : (of.document.tables[field.table] ?? {});
  const value = fieldValue(
    {
      to: field.to,
      required: field.required,
      identifier: target.identifier,
      as: 'text',
      ...(target.list ? { list: true } : {}),
      ...(field.table === undefined ? {} : { table: field.table }),
    },
    table,
    raw.value,
  );
  if (!value.ok || value.value === undefined) return value as InboundValue;
  if (Array.isArray(value.value)) return { ok: true, value: value.value.map(String) };
  const text = String(value.value);
  if (field.siteTime !== true) return { ok: true, value: text };
  const read = readWallTime(text.trim(), of.timeZone);
  if (read.ok) return { ok: true, value: read.text };
  return refuse('site-time', read.message, 'Send the instant with its offset from UTC.');
}

type Raw = { readonly ok: true; readonly value: unknown } | FieldRefusal;

function rawValue(field: InboundField, subject: unknown, expression: ExpressionValue | null): Raw {
  if (field.constant !== undefined) return { ok: true, value: field.constant };
  if (field.join !== undefined) return joined(field.join, subject);
  if (expression !== null) {
    return expression.ok
      ? { ok: true, value: absentIfEmpty(expression.value) }
      : expression.refusal;
  }
  const value = absentIfEmpty(compileInboundPath(field.from ?? '')?.(subject));
  if (field.splitAt === undefined || value === undefined) return { ok: true, value };
  const texts = Array.isArray(value) ? value : [value];
  return {
    ok: true,
    // What is no text is refused where texts are looked at.
    value: texts.flatMap((text: unknown) =>
      typeof text === 'string'
        ? text.split(field.splitAt ?? '').map((part) => part.trim())
        : [text],
    ),
  };
}

/** An empty element, cell or text says nothing. */
function absentIfEmpty(value: unknown): unknown {
  return typeof value === 'string' && value.trim() === '' ? undefined : value;
}

/** Nothing when all parts are missing. Two different things never become one text: no part may hold what is between. */
function joined(join: NonNullable<InboundField['join']>, subject: unknown): Raw {
  const parts = join.of.map((path) => absentIfEmpty(compileInboundPath(path)?.(subject)));
  if (parts.every((part) => part === undefined)) return { ok: true, value: undefined };
  for (const [index, part] of parts.entries()) {
    const path = join.of[index] ?? '';
    if (typeof part !== 'string' || part !== part.trim()) {
      const found = part === undefined ? 'nothing' : JSON.stringify(part).slice(0, 80);
      const remedy = 'All parts of a joined identifier have to be there.';
      return refuse('identifier-altered', `found ${found} at ${path}, expected a text`, remedy);
    }
    if (!part.includes(join.with)) continue;
    return refuse(
      'identifier-altered',
      `"${part.slice(0, 80)}" at ${path} holds "${join.with}", which stands between the parts`,
      'Choose another text to join with, so that two things never get one name.',
    );
  }
  return { ok: true, value: parts.join(join.with) };
}

function refuse(code: FieldRefusal['code'], detail: string, remedy: string): FieldRefusal {
  return { ok: false, code, detail, remedy };
}
