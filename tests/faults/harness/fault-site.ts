import { cpSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { isMap, isSeq, parseDocument, type YAMLMap } from 'yaml';
import { repositoryRoot } from '../../support/shared.js';
import { withoutSecondPerson } from '../../support/site-edits.js';
import type { SinkName } from './schedule.js';

/** Sends to one destination at once. */
export const IN_FLIGHT_MAX = 8;

/**
 * Short, so that a run of seconds meets every wait; the stand-ins apply within `processingMs`, and store within `settleMs`
 * of the deadline what they store at all.
 */
export const FAULT_TIMING = {
  deadlineMs: 1000,
  processingMs: 300,
  settleMs: 600,
  absentAsks: 2,
  retryBaseMs: 100,
  retryMaxMs: 1000,
  attemptsMax: 1000,
  inFlightMax: IN_FLIGHT_MAX,
  ratePerSecond: 500,
};
/** A stepped clock must not hold bundles: what is tested is leases and waits. The most the schema allows. */
const AN_HOUR_MS = 3_600_000;

/**
 * Copies the site folder of Northquay (simulated) with short waits and the destinations that are asked for. The
 * archive is LIMS over again, except that it cannot be asked: the kind that offers nothing against doubles.
 */
export function copyFaultSite(directory: string, sinks: readonly SinkName[]): void {
  cpSync(join(repositoryRoot(), 'mappings', 'northquay'), directory, { recursive: true });
  // Examples belong to the mappings as they stand there.
  rmSync(join(directory, 'examples'), { recursive: true });
  // Nobody of flesh and blood signs while processes are killed.
  const site = parseDocument(
    withoutSecondPerson(readFileSync(join(directory, 'site.yaml'), 'utf8')),
  );
  for (const name of ['futureToleranceMs', 'clockSkewMs']) {
    site.setIn(['limits', name], AN_HOUR_MS);
  }
  const destinations = site.get('destinations');
  if (!isSeq<YAMLMap>(destinations)) throw new Error('site.yaml lists no destinations');
  const lims = destinations.items.find((one) => one.get('name') === 'lims');
  if (!isMap(lims)) throw new Error('site.yaml has no destination lims');
  const archive = lims.clone() as YAMLMap;
  archive.set('name', 'archive');
  archive.set('title', 'Archive (stand-in)');
  archive.setIn(['endpoint', 'baseUrl'], '$' + '{NORTHQUAY_ARCHIVE_URL:-http://127.0.0.1:7073}');
  archive.setIn(['endpoint', 'bearer'], 'env:NORTHQUAY_ARCHIVE_TOKEN');
  // What waits for a person there must not keep a receipt waiting.
  archive.set('requiredForStatement', false);
  archive.delete('sweep');
  destinations.add(archive);
  for (const one of destinations.items) one.set('timing', site.createNode(FAULT_TIMING));
  destinations.items = destinations.items.filter((one) =>
    sinks.includes(one.get('name') as SinkName),
  );
  writeFileSync(join(directory, 'site.yaml'), site.toString());

  const mapping = parseDocument(readFileSync(join(directory, 'lims.mapping.yaml'), 'utf8'));
  mapping.set('destination', 'archive');
  for (const message of ['result', 'withdrawal'])
    mapping.setIn(['messages', message, 'readBack'], null);
  // Nobody can ask it anything: it lists nothing either, and says nothing of itself.
  for (const name of ['list', 'describe']) mapping.delete(name);
  writeFileSync(join(directory, 'archive.mapping.yaml'), mapping.toString());
  for (const name of ['erp', 'lims', 'archive'] as const) {
    if (!sinks.includes(name)) rmSync(join(directory, `${name}.mapping.yaml`));
  }
}
