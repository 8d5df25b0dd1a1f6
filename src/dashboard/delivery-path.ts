/** Address of the list of deliveries that stopped. */
export const STOPPED_PATH = '/deliveries';

/** Address of a delivery's page. */
export function deliveryPath(id: string): string {
  return `${STOPPED_PATH}/${encodeURIComponent(id)}`;
}

/** Address of the list of deliveries that stopped, narrowed where wanted. */
export function stoppedPath(of: {
  readonly destination?: string;
  readonly fault?: string | null;
  readonly after?: string;
}): string {
  const query = new URLSearchParams();
  for (const [name, value] of Object.entries(of)) if (value) query.set(name, value);
  const text = query.toString();
  return text === '' ? STOPPED_PATH : `${STOPPED_PATH}?${text}`;
}
