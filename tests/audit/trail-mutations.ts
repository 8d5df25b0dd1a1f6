import { chainHash } from '../../src/audit/chain.js';
import {
  checkpointDigest,
  type SignedCheckpoint,
  signCheckpoint,
} from '../../src/audit/checkpoint.js';
import { appendLeaf, EMPTY_EDGE, leafHash, rootOfEdge } from '../../src/audit/merkle.js';
import { EMPTY_HEAD } from '../../src/audit/seal-entries.js';
import type { TrailKey } from '../../src/audit/signing-key.js';
import { entryBytes, trailEntryOf } from '../../src/audit/trail-entry.js';
import type { Instant } from '../../src/formats/instant.js';
import type { RandomSource } from '../../src/simulation/seeded-random.js';
import type { AuditEntryRow } from '../../src/storage/tables.js';
import { type Trail, unsealedRow } from './trail-world.js';

/** What the owner of a database could do to a trail. */
export interface Mutation {
  readonly name: string;
  /** What has to be compared with for it to be found: nothing, a key kept elsewhere, the folder outside. */
  readonly needs: 'nothing' | 'key' | 'outside';
  /** Changes the trail; the number of the entry at which it must be found, or null for anywhere. */
  readonly apply: (trail: Trail, random: RandomSource, of: Means) => number | null;
}

interface Means {
  readonly other: Trail;
  readonly attacker: TrailKey;
}

const TEXTS = [
  'id',
  'zone',
  'actor',
  'action',
  'subject_kind',
  'subject_id',
  'reason',
  'before',
  'after',
  'source',
  'actor_kind',
] as const;

export const MUTATIONS: readonly Mutation[] = [
  simple('edits a byte of a text', (trail, random) => {
    const n = pick(trail, random);
    set(trail, n, withByteChanged(rowAt(trail, n), random));
    return n;
  }),
  simple('changes the time by a microsecond', (trail, random) => {
    const n = pick(trail, random);
    const row = rowAt(trail, n);
    set(trail, n, { ...row, at: (row.at + (random() < 0.5 ? 1 : -1)) as Instant });
    return n;
  }),
  simple('changes when it was sealed', (trail, random) => {
    const n = pick(trail, random);
    const row = rowAt(trail, n);
    set(trail, n, { ...row, sealed_at: (Number(row.sealed_at) - 1_000_000) as Instant });
    return n;
  }),
  simple('changes the zone', (trail, random) => {
    const n = pick(trail, random);
    set(trail, n, { ...rowAt(trail, n), zone: 'America/New_York' });
    return n;
  }),
  simple('gives a source, or takes it away', (trail, random) => {
    const n = pick(trail, random);
    const row = rowAt(trail, n);
    set(trail, n, { ...row, source: row.source === null ? '192.0.2.99' : null });
    return n;
  }),
  simple('takes a reason away', (trail, random) => {
    const n = Math.floor((random() * trail.rows.length) / 5) * 5;
    set(trail, n, { ...rowAt(trail, n), reason: null });
    return n;
  }),
  simple('makes nothing of before an empty text', (trail, random) => {
    const n = Math.floor((random() * trail.rows.length) / 2) * 2;
    set(trail, n, { ...rowAt(trail, n), before: '' });
    return n;
  }),
  simple('deletes an entry', (trail, random) => {
    const n = pick(trail, random);
    trail.rows.splice(n, 1);
    return n;
  }),
  simple('deletes several and closes the gap in the numbers', (trail, random) => {
    const n = pick(trail, random, 3);
    trail.rows.splice(n, 1 + Math.floor(random() * 2));
    renumber(trail);
    return n;
  }),
  simple('cuts the tail', (trail, random) => {
    const n = pick(trail, random);
    trail.rows.splice(n);
    return n;
  }),
  simple('swaps the numbers of two entries', (trail, random) => {
    const [a, b] = pickTwo(trail, random);
    const [first, second] = [rowAt(trail, a), rowAt(trail, b)];
    set(trail, a, { ...first, sequence: b });
    set(trail, b, { ...second, sequence: a });
    return a;
  }),
  simple('swaps what two entries say', (trail, random) => {
    const [a, b] = pickTwo(trail, random);
    const [first, second] = [rowAt(trail, a), rowAt(trail, b)];
    set(trail, a, { ...second, sequence: a, hash: first.hash });
    set(trail, b, { ...first, sequence: b, hash: second.hash });
    return a;
  }),
  simple('inserts an entry and moves the rest on', (trail, random) => {
    const n = pick(trail, random);
    const forged = { ...rowAt(trail, n), id: 'forged', hash: 'ab'.repeat(32) };
    trail.rows.splice(n, 0, forged);
    renumber(trail);
    return n;
  }),
  simple('inserts an entry under a number that is taken', (trail, random) => {
    const n = pick(trail, random);
    trail.rows.push({ ...rowAt(trail, n), id: 'zz-forged', reason: 'forged' });
    return n;
  }),
  simple('inserts an old entry without a seal', (trail) => {
    trail.rows.push({ ...unsealedRow(trail.site, 3), id: 'forged' });
    return null;
  }),
  simple('takes the seal off an entry', (trail, random) => {
    const n = pick(trail, random);
    const bare = { sequence: null, hash: null, sealed_at: null, algorithm: null };
    set(trail, n, { ...rowAt(trail, n), ...bare });
    return n;
  }),
  simple('gives every entry from one on the next number', (trail, random) => {
    const n = pick(trail, random);
    for (let i = n; i < trail.rows.length; i += 1) {
      set(trail, i, { ...rowAt(trail, i), sequence: i + 1 });
    }
    return n;
  }),
  simple('moves an entry to another site', (trail, random, { other }) => {
    const n = pick(trail, random);
    set(trail, n, { ...rowAt(trail, n), site: other.site });
    return n;
  }),
  simple('puts an entry of another site in its place', (trail, random, { other }) => {
    const n = pick(trail, random);
    set(trail, n, { ...rowAt(other, n), site: trail.site });
    return n;
  }),
  simple('replaces a hash', (trail, random) => {
    const n = pick(trail, random);
    const hash = rowAt(trail, n).hash ?? '';
    const flipped = (hash[0] === '0' ? '1' : '0') + hash.slice(1);
    set(trail, n, { ...rowAt(trail, n), hash: random() < 0.5 ? flipped : null });
    return n;
  }),
  simple('names another algorithm', (trail, random) => {
    const n = pick(trail, random);
    set(trail, n, { ...rowAt(trail, n), algorithm: 'none' });
    return n;
  }),
  simple('edits an entry and mends its own hash', (trail, random) => {
    const n = pick(trail, random);
    set(trail, n, { ...rowAt(trail, n), reason: 'rewritten' });
    rehash(trail, n, n);
    // The link behind it breaks; of the last, the checkpoint and the end of the trail tell.
    return null;
  }),
  simple('edits an entry and mends every hash behind it', (trail, random) => {
    const n = pick(trail, random);
    set(trail, n, { ...rowAt(trail, n), actor: 'somebody else' });
    rehash(trail, n, trail.rows.length - 1);
    return null;
  }),
  simple('mends the end too, and leaves the checkpoints', (trail, random) => {
    const n = pick(trail, random);
    set(trail, n, { ...rowAt(trail, n), actor: 'somebody else' });
    rehash(trail, n, trail.rows.length - 1);
    mendHead(trail);
    return null;
  }),
  simple('leaves a checkpoint out', (trail, random) => {
    trail.checkpoints.splice(Math.floor(random() * (trail.checkpoints.length - 1)), 1);
    return null;
  }),
  simple('moves a signature to another checkpoint', (trail) => {
    const [first, second] = trail.checkpoints;
    if (first === undefined || second === undefined) throw new Error('too few checkpoints');
    trail.checkpoints[1] = { ...second, signatures: first.signatures };
    return null;
  }),
  {
    name: 'rewrites all and has the checkpoints signed by a key of its own',
    needs: 'key',
    apply: (trail, random, { attacker }) => {
      const n = 1 + pick(trail, random, 1);
      set(trail, n, { ...rowAt(trail, n), reason: 'rewritten' });
      // The announcement of the key is rewritten with the rest.
      const { id, publicKey } = attacker;
      set(trail, 0, { ...rowAt(trail, 0), after: JSON.stringify({ id, publicKey }) });
      rehash(trail, 0, trail.rows.length - 1);
      mendHead(trail);
      mendCheckpoints(trail, [attacker]);
      return null;
    },
  },
  {
    name: 'rewrites all, having the key',
    needs: 'outside',
    apply: (trail, random) => {
      const n = pick(trail, random);
      set(trail, n, { ...rowAt(trail, n), subject_id: 'another lot' });
      rewrite(trail, n);
      return null;
    },
  },
  {
    name: 'cuts the tail with its checkpoints and the end',
    needs: 'outside',
    apply: (trail, random) => {
      const n = 1 + pick(trail, random, 1);
      trail.rows.splice(n);
      mendHead(trail);
      const kept = trail.checkpoints.filter(({ checkpoint }) => checkpoint.size <= n);
      trail.checkpoints.splice(0, trail.checkpoints.length, ...kept);
      return n;
    },
  },
  {
    name: 'takes an entry out and rewrites all behind it, having the key',
    needs: 'outside',
    apply: (trail, random) => {
      const n = 1 + pick(trail, random, 1);
      trail.rows.splice(n, 1);
      renumber(trail);
      rewrite(trail, n);
      return null;
    },
  },
];

/** The key that trails of the mutations are signed with: who has stolen it signs as its owner would. */
const stolen: { keys: readonly TrailKey[] } = { keys: [] };
export function stealKeys(keys: readonly TrailKey[]): void {
  stolen.keys = keys;
}

function rewrite(trail: Trail, from: number): void {
  rehash(trail, from, trail.rows.length - 1);
  mendHead(trail);
  mendCheckpoints(trail, stolen.keys);
}

function simple(name: string, apply: Mutation['apply']): Mutation {
  return { name, needs: 'nothing', apply };
}

function pick(trail: Trail, random: RandomSource, sparing = 0): number {
  return Math.floor(random() * (trail.rows.length - sparing));
}

function pickTwo(trail: Trail, random: RandomSource): [number, number] {
  const a = pick(trail, random, 1);
  const b = a + 1 + Math.floor(random() * (trail.rows.length - a - 1));
  return [a, b];
}

function rowAt(trail: Trail, n: number): AuditEntryRow {
  const row = trail.rows[n];
  if (row === undefined) throw new Error(`no entry ${n}`);
  return row;
}

function set(trail: Trail, n: number, row: AuditEntryRow): void {
  trail.rows[n] = row;
}

function renumber(trail: Trail): void {
  for (const [n, row] of trail.rows.entries()) set(trail, n, { ...row, sequence: n });
}

function withByteChanged(row: AuditEntryRow, random: RandomSource): AuditEntryRow {
  const columns = TEXTS.filter((column) => (row[column] ?? '') !== '');
  const column = columns[Math.floor(random() * columns.length)] ?? 'id';
  const text = row[column] ?? '';
  const at = Math.floor(random() * text.length);
  const other = text[at] === 'x' ? 'y' : 'x';
  return { ...row, [column]: text.slice(0, at) + other + text.slice(at + 1) };
}

function rehash(trail: Trail, from: number, to: number): void {
  for (let n = from; n <= to; n += 1) {
    const before = n === 0 ? EMPTY_HEAD.hash : Buffer.from(rowAt(trail, n - 1).hash ?? '', 'hex');
    const hash = chainHash(before, entryBytes(trailEntryOf(rowAt(trail, n)))).toString('hex');
    set(trail, n, { ...rowAt(trail, n), hash });
  }
}

function edgeOf(trail: Trail, size: number) {
  return trail.rows
    .slice(0, size)
    .reduce((edge, row) => appendLeaf(edge, leafHash(entryBytes(trailEntryOf(row)))), EMPTY_EDGE);
}

function mendHead(trail: Trail): void {
  const hash = Buffer.from(trail.rows.at(-1)?.hash ?? '', 'hex');
  trail.head = { hash, edge: edgeOf(trail, trail.rows.length) };
}

function mendCheckpoints(trail: Trail, keys: readonly TrailKey[]): void {
  const mended: SignedCheckpoint[] = [];
  for (const { checkpoint } of trail.checkpoints) {
    const size = Math.min(checkpoint.size, trail.rows.length);
    const last = mended.at(-1);
    mended.push(
      signCheckpoint(
        {
          ...checkpoint,
          size,
          root: rootOfEdge(edgeOf(trail, size)).toString('hex'),
          head: rowAt(trail, size - 1).hash ?? '',
          previous: last === undefined ? null : checkpointDigest(last.checkpoint),
        },
        keys,
      ),
    );
  }
  trail.checkpoints.splice(0, trail.checkpoints.length, ...mended);
}
