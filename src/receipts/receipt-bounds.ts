/** Containers of one receipt line. */
export const CONTAINERS_MAX = 20_000;

/** Ids of receipts that so far only a scan named begin with this; no announced one may. */
export const SCANNED_ID_PREFIX = 'scan:';
