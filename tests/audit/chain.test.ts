import { describe, expect, it } from 'vitest';
import { CHAIN_START, chainHash } from '../../src/audit/chain.js';
import { EMPTY_HEAD, sealEntries } from '../../src/audit/seal-entries.js';
import { entryBytes, trailEntryOf } from '../../src/audit/trail-entry.js';
import { canonicalJson } from '../../src/formats/canonical-json.js';
import type { Instant } from '../../src/formats/instant.js';
import type { AuditEntryRow } from '../../src/storage/tables.js';
import { unsealedRow } from './trail-world.js';

describe('the hash chain', () => {
  // Both values: standards file integrity-and-exchange.md, reproduced there with Python and Node.
  it('has the published hashes over {"a":1}, {"a":2}', () => {
    const first = chainHash(CHAIN_START, Buffer.from(canonicalJson({ a: 1 })));
    const second = chainHash(first, Buffer.from(canonicalJson({ a: 2 })));
    expect(first.toString('hex')).toBe(
      'b06a229070741292512e8760f470dd7a4c46ccfdf253df781d88dabe58c1ccb1',
    );
    expect(second.toString('hex')).toBe(
      'a1d14784ae595e5334415f1ab3f83e6dd035dd72252a25352a9d3bfe1e7d08ba',
    );
  });

  it('changes with whatever column of an entry is changed, and with its place and algorithm', () => {
    const seal = { sequence: 3, algorithm: 'x', hash: 'h', sealed_at: 5 as Instant };
    const row: AuditEntryRow = { ...unsealedRow('a', 0), ...seal };
    const before = entryBytes(trailEntryOf(row)).toString();
    // The hash itself is what the bytes give.
    const columns = Object.keys(row).filter((name) => name !== 'hash');
    expect(columns).toHaveLength(16);
    for (const column of columns) {
      for (const value of ['other', 7, null, '', Buffer.from('x')]) {
        if (row[column as keyof AuditEntryRow] === value) continue;
        const changed = { ...row, [column]: value };
        expect(entryBytes(trailEntryOf(changed)).toString(), `${column} ${value}`).not.toBe(before);
      }
    }
  });

  it('tells an instant from the text that looks like it', () => {
    const row = unsealedRow('a', 0);
    const { at } = trailEntryOf(row);
    expect(trailEntryOf({ ...row, at: at as never }).at).not.toBe(at);
    expect(trailEntryOf({ ...row, at: 1e300 as Instant }).at).toMatch(/^no instant/);
  });

  it('goes on from where it was, in one batch or in many', () => {
    const rows = Array.from({ length: 40 }, (_, n) => unsealedRow('a', n));
    const now = 9 as Instant;
    const whole = sealEntries(EMPTY_HEAD, rows, now);
    const first = sealEntries(EMPTY_HEAD, rows.slice(0, 17), now);
    const second = sealEntries(first.head, rows.slice(17), now);
    expect([...first.seals, ...second.seals]).toEqual(whole.seals);
    expect(second.head).toEqual(whole.head);
  });
});
