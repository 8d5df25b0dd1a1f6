/** Address of a discrepancy's page. */
export function discrepancyPath(id: string): string {
  return `/discrepancies/${encodeURIComponent(id)}`;
}

/** Address of a list of discrepancies, narrowed by a filter. */
export function discrepancyListPath(filter: Readonly<Record<string, string>>): string {
  const query = new URLSearchParams(filter).toString();
  return query === '' ? '/discrepancies' : `/discrepancies?${query}`;
}

/** Address of a day's page. */
export function dayPath(day: string): string {
  return `/days/${day}`;
}
