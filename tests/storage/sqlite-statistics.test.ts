import { join } from 'node:path';
import Database from 'better-sqlite3';
import { describe, expect, it } from 'vitest';
import { openDatabase } from '../../src/storage/database.js';
import { statisticsOf } from '../../src/storage/sqlite-statistics.js';
import { temporaryDirectory } from '../support/temp-database.js';

async function migrated(): Promise<string> {
  const directory = temporaryDirectory();
  const database = await openDatabase(directory);
  await database.close();
  return join(directory, 'drumline.db');
}

/** The plan of a query as `explain query plan` says it (https://www.sqlite.org/eqp.html). */
function planOf(file: Database.Database, query: string): string {
  const rows = file.prepare(`explain query plan ${query}`).all() as { detail: string }[];
  return rows.map((row) => row.detail).join(' | ');
}

const ids = (n: number) => Array.from({ length: n }, (_, i) => `'${i}'`).join(', ');

describe('what SQLite is told of its tables', () => {
  it('is rows, then rows that share the first, the first two, … columns', () => {
    const of = (columns: string[], isUnique = false, isPartial = false) =>
      statisticsOf({ columns, isUnique, isPartial });
    expect(of(['site', 'receipt_id'])).toBe('1000000 1000000 10');
    expect(of(['site', 'subject_kind', 'subject_id'])).toBe('1000000 1000000 250000 10');
    expect(of(['id'], true)).toBe('1000000 1');
    expect(of(['site', 'class', 'subject'], true, true)).toBe('20000 20000 5000 1');
  });

  it('is the same on every start, and written once', async () => {
    const path = await migrated();
    const look = () => {
      const file = new Database(path, { readonly: true });
      const rows = file.prepare('select rowid, * from sqlite_stat1').all();
      const version = file.pragma('schema_version', { simple: true });
      file.close();
      return { rows, version };
    };
    const first = look();
    expect(first.rows.length).toBeGreaterThan(100);
    const again = await openDatabase(join(path, '..'));
    await again.close();
    expect(look()).toEqual(first);
  });

  it.each([
    ['delivery', 'sqlite_autoindex_delivery_1 (id=?)'],
    ['result', 'sqlite_autoindex_result_1 (id=?)'],
    ['bundle', 'sqlite_autoindex_bundle_1 (id=?)'],
    ['signature', 'sqlite_autoindex_signature_1 (id=?)'],
    ['receipt', 'sqlite_autoindex_receipt_1 (site=? AND id=?)'],
  ])('finds each %s of many ids by its key', async (table, index) => {
    const file = new Database(await migrated(), { readonly: true });
    for (const n of [1, 8, 200]) {
      const query = `select * from ${table} where site = 'nq' and id in (${ids(n)})`;
      expect(planOf(file, query)).toBe(`SEARCH ${table} USING INDEX ${index}`);
    }
    file.close();
  });

  it.each([
    ['discrepancy', `closed_at is null and subject in (${ids(40)})`, 'discrepancy_open_subject'],
    [
      'discrepancy',
      `closed_at is null and receipt_id = '1' and derived = 1`,
      'discrepancy_open_of',
    ],
    ['audit_entry', `subject_kind = 'receipt' and subject_id = '1'`, 'audit_entry_by_subject'],
    ['performance_check', `check_id in (${ids(20)})`, 'performance_check_by_id'],
    ['receipt', 'evaluation_due = 1 and announced = 1', 'receipt_by_due'],
    ['receipt', 'received_at >= 5 and received_at < 6', 'receipt_by_received'],
  ])('finds %s where %s by the index made for it', async (table, where, index) => {
    const file = new Database(await migrated(), { readonly: true });
    const plan = planOf(file, `select * from ${table} where site = 'nq' and ${where}`);
    file.close();
    expect(plan).toContain(`USING INDEX ${index} (site=? AND `);
  });
});
