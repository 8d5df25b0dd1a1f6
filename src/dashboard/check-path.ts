/** Address of the page that says what a finding of this code means. */
export function checkPath(code: string): string {
  return `/checks/${encodeURIComponent(code)}`;
}
