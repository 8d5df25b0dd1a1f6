/**
 * How a discrepancy names the result it is about. `announce` closes unowned evidence by this name when the
 * receipt it belongs to becomes known, so writer and closer share it here.
 */
export function resultSubject(resultRowId: string): string {
  return `result:${resultRowId}`;
}

/**
 * What the names of discrepancies about deliveries to a destination begin with; the delivery's id follows. A sweep opens and
 * closes them, and they go along with the result that the delivery is about.
 */
export function deliveryPrefix(destination: string): string {
  return `held:${destination}:`;
}
