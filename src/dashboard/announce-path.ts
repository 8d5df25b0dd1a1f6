/** Address of the form that announces a receipt line by hand. */
export const ANNOUNCE_PATH = '/announce';

/** Address of the form that changes or cancels one. */
export function announcePath(receiptId: string): string {
  return `${ANNOUNCE_PATH}/${encodeURIComponent(receiptId)}`;
}
