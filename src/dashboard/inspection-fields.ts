import { readWallTime } from '../formats/wall-time.js';
import { Problem } from '../problem-details.js';

type Fields = Readonly<Record<string, unknown>>;

/**
 * The fields of a form that enters an inspection, as programs name them: counts as numbers, the time with its offset.
 *
 * @param timeZone whose clocks the form's time is read by
 * @throws Problem `query-invalid` for a time that the zone does not have once
 */
export function inspectionFields(fields: Fields, timeZone: string): Fields {
  return {
    ...fields,
    inspected: countOf(fields['inspected']),
    nonconforming: countOf(fields['nonconforming']),
    inspectedAt: timeOf(fields['inspectedAt'], timeZone),
  };
}

/** What is no count stays as it is, for the reader to refuse. */
function countOf(text: unknown): unknown {
  return typeof text === 'string' && /^\d{1,5}$/.test(text.trim()) ? Number(text) : text;
}

function timeOf(text: unknown, timeZone: string): unknown {
  if (typeof text !== 'string') return text;
  const read = readWallTime(text.trim(), timeZone);
  if (!read.ok) throw new Problem('query-invalid', `inspectedAt: ${read.message}`);
  return read.text;
}
