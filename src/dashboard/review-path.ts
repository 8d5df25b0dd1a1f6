/** Address of the page on which one result is reviewed. */
export function reviewPath(rowId: string): string {
  return `/review/${encodeURIComponent(rowId)}`;
}
