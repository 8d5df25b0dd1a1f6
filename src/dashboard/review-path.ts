/** Address of the page on which one result is reviewed. */
export function reviewPath(rowId: string): string {
  return `/review/${encodeURIComponent(rowId)}`;
}

export function bundleReviewPath(rowId: string): string {
  return `/review/bundles/${encodeURIComponent(rowId)}`;
}
