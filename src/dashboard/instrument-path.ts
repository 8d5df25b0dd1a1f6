/** Address of an instrument's page. */
export function instrumentPath(serial: string): string {
  return `/instruments/${encodeURIComponent(serial)}`;
}
