/**
 * How a discrepancy names the result it is about. `announce` closes unowned evidence by this name when the
 * receipt it belongs to becomes known, so writer and closer share it here.
 */
export function resultSubject(resultRowId: string): string {
  return `result:${resultRowId}`;
}
