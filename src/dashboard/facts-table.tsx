import type { JSX } from 'preact';
import { Verbatim } from './verbatim.js';

/** Leaves of a JSON value by their pointer: what the digest covers, readable. */
export function FactsTable({ value }: { readonly value: unknown }): JSX.Element {
  const leaves: [string, string][] = [];
  collect(value, '', leaves);
  return (
    <table class="facts-table">
      <tbody>
        {leaves.map(([pointer, text]) => (
          <tr key={pointer}>
            <th scope="row">
              <Verbatim>{pointer}</Verbatim>
            </th>
            <td>
              <Verbatim>{text}</Verbatim>
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function collect(value: unknown, pointer: string, leaves: [string, string][]): void {
  if (typeof value === 'object' && value !== null) {
    for (const [key, member] of Object.entries(value)) collect(member, `${pointer}/${key}`, leaves);
  } else leaves.push([pointer, value === null ? 'none' : String(value)]);
}
