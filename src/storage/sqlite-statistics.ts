import type Database from 'better-sqlite3';

/** Rows that a table, and the part of it that a partial index holds, are taken to have. */
const ROWS = { whole: 1_000_000, part: 20_000 } as const;
/** Rows that share a value nobody counted: what SQLite takes of an index it knows nothing of. */
const FEW = 10;
/** Values of a column that has few of them, none of them rare. */
const FEW_VALUES_SHARE = 4;

/** Every row of a database has the same. */
const SAME = 'site';
/** Columns of few different values: by one of them alone most of a table would be read. */
const FEW_VALUES: ReadonlySet<string> = new Set([
  'class',
  'closed_at',
  'contrary',
  'day',
  'decision',
  'derived',
  'destination',
  'environment',
  'instrument',
  'instrument_serial',
  'kind',
  'lane',
  'material',
  'message',
  'mode',
  'origin',
  'run_epoch',
  'state',
  'subject_kind',
]);

interface IndexShape {
  readonly columns: readonly string[];
  readonly isUnique: boolean;
  readonly isPartial: boolean;
}

/**
 * The statistics of one index as SQLite writes them: rows, then rows that share the first column's value, the first
 * two columns' values, and so on (https://www.sqlite.org/fileformat2.html#stat1tab).
 */
export function statisticsOf({ columns, isUnique, isPartial }: IndexShape): string {
  const rows = isPartial ? ROWS.part : ROWS.whole;
  const sharing: number[] = [];
  let left: number = rows;
  for (const [i, column] of columns.entries()) {
    if (FEW_VALUES.has(column)) left = Math.max(1, Math.ceil(left / FEW_VALUES_SHARE));
    else if (column !== SAME) left = Math.min(left, FEW);
    if (isUnique && i === columns.length - 1) left = 1;
    sharing.push(left);
  }
  return [rows, ...sharing].join(' ');
}

/**
 * Tells SQLite what it cannot know before there is data: that `site` is the same in every row. Without, it takes any
 * first column of an index to single out ten rows, and for `site = ? and id in (…)` of eight ids or more it reads every
 * row of the site rather than eight by their key: a million results made each round of the comparison slower by a
 * thousand times. Written rather than measured by `analyze`, so that plans are the same on an empty database, a large
 * one, and in tests.
 */
export function writeStatistics(file: Database.Database): void {
  const wanted = indexes(file).map(([table, index, shape]): Statistics => {
    return { tbl: table, idx: index, stat: statisticsOf(shape) };
  });
  if (JSON.stringify(written(file)) === JSON.stringify(wanted)) return;
  file.transaction(() => {
    // The table for them is made by `analyze` alone, and only where there is something to count.
    file.exec('create table counted (n integer); create index counted_n on counted (n)');
    file.exec('insert into counted values (1); analyze counted; drop table counted');
    file.exec('delete from sqlite_stat1');
    const insert = file.prepare('insert into sqlite_stat1 values (?, ?, ?)');
    for (const { tbl, idx, stat } of wanted) insert.run(tbl, idx, stat);
  })();
  // Reads them.
  file.exec('analyze sqlite_schema');
}

interface Statistics {
  readonly tbl: string;
  readonly idx: string;
  readonly stat: string;
}

function written(file: Database.Database): Statistics[] {
  const isThere = file.prepare("select 1 from sqlite_schema where name = 'sqlite_stat1'").get();
  if (isThere === undefined) return [];
  return file
    .prepare('select tbl, idx, stat from sqlite_stat1 order by tbl, idx')
    .all() as Statistics[];
}

function indexes(file: Database.Database): [table: string, index: string, IndexShape][] {
  const rows = file
    .prepare(
      `select t.name as "table", i.name as "index", i."unique" as isUnique, i.partial as isPartial,
          (select json_group_array(c.name) from (select name from pragma_index_info(i.name) order by seqno) c) as columns
        from sqlite_schema t, pragma_index_list(t.name) i
        where t.type = 'table' and t.name not like 'sqlite_%' order by t.name, i.name`,
    )
    .all() as {
    table: string;
    index: string;
    isUnique: number;
    isPartial: number;
    columns: string;
  }[];
  return rows.map(({ table, index, isUnique, isPartial, columns }) => [
    table,
    index,
    {
      columns: (JSON.parse(columns) as (string | null)[]).map((name) => name ?? ''),
      isUnique: isUnique === 1,
      isPartial: isPartial === 1,
    },
  ]);
}
