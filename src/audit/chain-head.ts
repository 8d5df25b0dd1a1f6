import type { TrailHeadRow } from '../storage/tables.js';
import type { ChainHead } from './seal-entries.js';

/** Where a chain ends, as its row keeps it. */
export function headOf({
  size,
  hash,
  peaks,
}: Pick<TrailHeadRow, 'size' | 'hash' | 'peaks'>): ChainHead {
  const listed: unknown = JSON.parse(peaks);
  const hashes = Array.isArray(listed)
    ? listed.map((peak) => Buffer.from(String(peak), 'hex'))
    : [];
  return { hash: Buffer.from(hash, 'hex'), edge: { size, peaks: hashes } };
}

export function peaksText({ edge }: ChainHead): string {
  return JSON.stringify(edge.peaks.map((peak) => peak.toString('hex')));
}
