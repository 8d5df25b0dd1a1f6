/** Address of a receipt's page; the opaque id may hold any character. */
export function receiptPath(receiptId: string): string {
  return `/receipts/${encodeURIComponent(receiptId)}`;
}

/** Address that the form of a receipt's second person goes to. */
export function receiptReviewPath(receiptId: string): string {
  return `${receiptPath(receiptId)}/review`;
}

/** Address that the form which lifts a receipt's stop goes to. */
export function stopLiftPath(receiptId: string): string {
  return `${receiptPath(receiptId)}/stops/lift`;
}

/** Address of the page on which inspections of a receipt's labels and for damage are entered. */
export function inspectionsPath(receiptId: string): string {
  return `${receiptPath(receiptId)}/inspections`;
}

/** Address of the page on which a count that was entered wrongly is lifted. */
export function inspectionLiftPath(receiptId: string, inspection: string): string {
  return `${receiptPath(receiptId)}/inspection-lift?${new URLSearchParams({ inspection })}`;
}

/** Address of the page on which stops are acknowledged that a restore of the database lost. */
export function lostStopsPath(receiptId: string): string {
  return `${receiptPath(receiptId)}/stops/lost`;
}

/** Address of the page on which a container of a receipt is rejected. */
export function rejectionPath(receiptId: string, container: string): string {
  return `${receiptPath(receiptId)}/rejection?${new URLSearchParams({ container })}`;
}

/** Address of the page on which somebody answers for what the containers of a receipt came from. */
export function originPath(receiptId: string): string {
  return `${receiptPath(receiptId)}/origin`;
}

/** What people call a receipt line: its number and line where it was announced, else its id. */
export function receiptTitle(receipt: {
  readonly receiptId: string;
  readonly receiptNumber: string | null;
  readonly line: string | null;
}): string {
  if (receipt.receiptNumber === null) return receipt.receiptId;
  return receipt.line === null
    ? receipt.receiptNumber
    : `${receipt.receiptNumber} / ${receipt.line}`;
}
