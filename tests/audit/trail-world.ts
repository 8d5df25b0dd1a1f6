import { SEAL_ALGORITHM } from '../../src/audit/chain.js';
import {
  checkpointDigest,
  type SignedCheckpoint,
  signCheckpoint,
} from '../../src/audit/checkpoint.js';
import { rootOfEdge } from '../../src/audit/merkle.js';
import { type ChainHead, EMPTY_HEAD, sealEntries } from '../../src/audit/seal-entries.js';
import type { PublicTrailKey, TrailKey } from '../../src/audit/signing-key.js';
import { trailEntryOf } from '../../src/audit/trail-entry.js';
import { KEY_ANNOUNCED, type TrailReport, TrailVerifier } from '../../src/audit/verify-trail.js';
import {
  addMs,
  formatInstant,
  type Instant,
  instantFromMillis,
} from '../../src/formats/instant.js';
import type { AuditEntryRow } from '../../src/storage/tables.js';

const START = instantFromMillis(Date.UTC(2026, 10, 25, 9));

const INSTANCE = 'instance-1';

/** A trail as its rows, checkpoints and end: whatever holds one, the same function judges it. */
export interface Trail {
  readonly site: string;
  readonly rows: AuditEntryRow[];
  readonly checkpoints: SignedCheckpoint[];
  head: ChainHead;
}

/** An entry as the service writes it; simulated. */
export function unsealedRow(site: string, n: number): AuditEntryRow {
  return {
    id: `${site}-${String(n).padStart(6, '0')}`,
    site,
    at: addMs(START, n * 100),
    zone: 'Europe/Berlin',
    actor_kind: n % 3 === 0 ? 'person' : 'system',
    actor: n % 3 === 0 ? `person-${n % 7}` : 'checks',
    action: n % 2 === 0 ? 'bundle.received' : 'bundle.accepted',
    subject_kind: 'bundle',
    subject_id: `b-${n}`,
    reason: n % 5 === 0 ? `drum ${n} relabelled` : null,
    before: n % 2 === 0 ? null : '{"state":"received"}',
    after: `{"state":"accepted","n":${n}}`,
    sequence: null,
    source: n % 4 === 0 ? '192.0.2.7' : null,
    algorithm: null,
    hash: null,
    sealed_at: null,
  };
}

/** A sealed trail with a checkpoint after every `every` entries and at its end. */
export function sealedTrail(
  site: string,
  of: {
    readonly entries: number;
    readonly every: number;
    readonly keys?: readonly TrailKey[];
    readonly change?: (row: AuditEntryRow) => AuditEntryRow;
  },
): Trail {
  const trail: Trail = { site, rows: [], checkpoints: [], head: EMPTY_HEAD };
  const keys = of.keys ?? [];
  for (let n = 0; n < of.entries; n += 1) {
    let row = unsealedRow(site, n);
    const key = keys[n];
    if (key !== undefined) {
      const { id, publicKey } = key;
      row = { ...row, action: KEY_ANNOUNCED, after: JSON.stringify({ id, publicKey }) };
    }
    append(trail, of.change?.(row) ?? row);
    if ((n + 1) % of.every === 0 || n + 1 === of.entries) addCheckpoint(trail, keys);
  }
  return trail;
}

export function append(trail: Trail, row: AuditEntryRow, sealedAt: Instant = addMs(row.at, 300)) {
  const { head, seals } = sealEntries(trail.head, [row], sealedAt);
  trail.head = head;
  const [seal] = seals;
  if (seal === undefined) throw new Error('nothing was sealed');
  trail.rows.push({ ...row, ...seal });
}

export function addCheckpoint(
  trail: Trail,
  keys: readonly TrailKey[],
  retires: string | null = null,
  epoch = 1,
): SignedCheckpoint {
  const { hash, edge } = trail.head;
  const last = trail.checkpoints.at(-1);
  const signed = signCheckpoint(
    {
      algorithm: SEAL_ALGORITHM,
      site: trail.site,
      instance: INSTANCE,
      epoch,
      size: edge.size,
      root: rootOfEdge(edge).toString('hex'),
      head: hash.toString('hex'),
      time: formatInstant(addMs(START, edge.size * 100)),
      cause: 'entries',
      previous: last === undefined ? null : checkpointDigest(last.checkpoint),
      retires,
    },
    keys,
  );
  trail.checkpoints.push(signed);
  return signed;
}

export interface Judging {
  readonly outside?: readonly SignedCheckpoint[];
  readonly keys?: readonly PublicTrailKey[];
  /** False where nothing says how far the trail should go, as when its owner has adapted that too. */
  readonly withEnd?: boolean;
}

/** What the verification of the service says of these rows, in the order a database would give them. */
export function judge(trail: Trail, of: Judging = {}): TrailReport {
  const verifier = new TrailVerifier(trail.site, of.keys ?? []);
  const bySize = (a: SignedCheckpoint, b: SignedCheckpoint) =>
    a.checkpoint.size - b.checkpoint.size;
  const due = [
    ...[...trail.checkpoints].sort(bySize).map((signed) => ({ signed, origin: 'trail' as const })),
    ...[...(of.outside ?? [])]
      .sort(bySize)
      .map((signed) => ({ signed, origin: 'outside' as const })),
  ].sort((a, b) => bySize(a.signed, b.signed));
  const feed = (all: boolean) => {
    while (due[0] !== undefined && (all || due[0].signed.checkpoint.size <= verifier.place)) {
      const { signed, origin } = due.shift() ?? due[0];
      verifier.checkpoint(signed, origin);
    }
  };
  const here = trail.rows.filter(({ site }) => site === trail.site);
  const sealed = here
    .filter(({ sequence }) => sequence !== null)
    .sort((a, b) => Number(a.sequence) - Number(b.sequence) || (a.id < b.id ? -1 : 1));
  for (const row of sealed) {
    feed(false);
    verifier.entry({ entry: trailEntryOf(row), hash: row.hash });
  }
  feed(true);
  for (const row of here.filter(({ sequence }) => sequence === null)) {
    verifier.unsealed({ entry: trailEntryOf(row), hash: null }, 60_000);
  }
  const { hash, edge } = trail.head;
  return verifier.report(
    of.withEnd === false
      ? null
      : { size: edge.size, head: hash.toString('hex'), root: rootOfEdge(edge).toString('hex') },
  );
}

/** What a start on a restored database writes, when it says so how many entries were sealed before. */
export function lifeBegins(trail: Trail, epoch: number, sealed?: number): void {
  const n = trail.rows.length;
  append(trail, {
    ...unsealedRow(trail.site, n),
    action: 'instance.recovering',
    subject_kind: 'instance',
    subject_id: INSTANCE,
    after: JSON.stringify({
      epoch,
      cause: 'restored',
      ...(sealed === undefined ? {} : { sealed }),
    }),
  });
}

/** Appends so many entries, with a checkpoint of a life behind every `every` of them. */
export function grow(
  trail: Trail,
  of: {
    readonly entries: number;
    readonly every: number;
    readonly epoch: number;
    readonly keys?: readonly TrailKey[];
  },
): void {
  for (let n = 0; n < of.entries; n += 1) {
    append(trail, unsealedRow(trail.site, trail.rows.length));
    if ((n + 1) % of.every === 0) addCheckpoint(trail, of.keys ?? [], null, of.epoch);
  }
}

/** The trail as its owner, who has the key, makes it after changing an entry: all behind it recomputed, whole by itself. */
export function rewritten(trail: Trail, changed: number, keys: readonly TrailKey[] = []): Trail {
  const anew: Trail = { site: trail.site, rows: [], checkpoints: [], head: EMPTY_HEAD };
  for (const row of trail.rows) {
    const reason = row.sequence === changed ? 'nothing happened' : row.reason;
    append(anew, { ...row, reason }, row.sealed_at ?? row.at);
    for (const { checkpoint } of trail.checkpoints) {
      if (checkpoint.size !== anew.rows.length) continue;
      addCheckpoint(anew, keys, checkpoint.retires, checkpoint.epoch);
    }
  }
  return anew;
}
