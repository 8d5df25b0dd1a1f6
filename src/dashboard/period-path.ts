/** Address of the page of a closed period. */
export function periodPath(id: string): string {
  return `/periods/${encodeURIComponent(id)}`;
}

/** Address that the form which signs an open addendum goes to. */
export function addendumPath(id: string, number: number): string {
  return `${periodPath(id)}/addenda/${number}`;
}

/** Address of the page that shows what closing a period would sign, and of the form on it. */
export function closingPath(from: string, to: string): string {
  return `/periods/close?${new URLSearchParams({ from, to })}`;
}

/** Address of a closed period written in one of the forms of a report. */
export function periodFilePath(id: string, format: string): string {
  return `${periodPath(id)}/document?${new URLSearchParams({ format })}`;
}
