/** Address of an instrument's page. */
export function instrumentPath(serial: string): string {
  return `/instruments/${encodeURIComponent(serial)}`;
}

/** Address of the page on which the cause of a failed performance check is signed. */
export function performanceCausePath(rowId: string): string {
  return `/performance-checks/${encodeURIComponent(rowId)}/cause`;
}
