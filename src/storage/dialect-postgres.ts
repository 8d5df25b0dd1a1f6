import {
  type ColumnDefinitionNode,
  DataTypeNode,
  type Driver,
  type Kysely,
  PostgresAdapter,
  PostgresDialect,
  type PostgresDialectConfig,
  PostgresDriver,
  PostgresQueryCompiler,
  type QueryCompiler,
  RawNode,
  sql,
} from 'kysely';
import type { Dialect } from './dialect.js';

const postgresql: Dialect = {
  name: 'postgresql',
  isShared: true,
  /** The default compression costs two thirds of the throughput; a server built without lz4 keeps it. */
  bytesType: async (db) => ((await hasLz4(db)) ? 'bytea compression lz4' : 'bytea'),
  guardRows: async (db, { table, action, when, message }) => {
    const condition = when === undefined ? '' : `when (${when})`;
    await sql
      .raw(
        `create or replace function refuse_change() returns trigger language plpgsql as
         $$ begin raise exception '%', tg_argv[0]; end $$`,
      )
      .execute(db);
    await sql
      .raw(
        `create trigger ${table}_no_${action} before ${action} on ${table} for each row ${condition}
         execute function refuse_change('${message}')`,
      )
      .execute(db);
    if (action === 'update') return;
    await sql
      .raw(
        `create trigger ${table}_no_truncate before truncate on ${table}
         execute function refuse_change('${message}')`,
      )
      .execute(db);
  },
  forUpdate: (query, of) => query.forUpdate(of),
  skipLocked: (query, of) => query.forUpdate(of).skipLocked(),
};

async function hasLz4(db: Kysely<unknown>): Promise<boolean> {
  const { rows } = await sql<{ has: boolean }>`
    select 'lz4' = any(enumvals) as has from pg_settings
    where name = 'default_toast_compression'`.execute(db);
  return rows[0]?.has === true;
}

class SharedPostgresAdapter extends PostgresAdapter {
  readonly dialect = postgresql;
}

/**
 * Every text column is compared by its bytes, as SQLite does: the collation of a server's operating system
 * would order ids otherwise, and change with an upgrade of it under an index.
 */
class ByteOrderCompiler extends PostgresQueryCompiler {
  protected override visitColumnDefinition(node: ColumnDefinitionNode): void {
    const isText = DataTypeNode.is(node.dataType) && node.dataType.dataType === 'text';
    const dataType = isText ? RawNode.createWithSql('text collate "C"') : node.dataType;
    super.visitColumnDefinition({ ...node, dataType });
  }
}

type Connection = Parameters<PostgresDriver['rollbackTransaction']>[0];

/** A rollback that fails finds a dead connection: the server has rolled back, and the first error says why. */
class ForgivingPostgresDriver extends PostgresDriver {
  override async rollbackTransaction(connection: Connection): Promise<void> {
    try {
      await super.rollbackTransaction(connection);
    } catch {
      // The connection is marked and leaves the pool when it is released.
    }
  }
}

export class SharedPostgresDialect extends PostgresDialect {
  readonly #config: PostgresDialectConfig;

  constructor(config: PostgresDialectConfig) {
    super(config);
    this.#config = config;
  }

  override createAdapter(): PostgresAdapter {
    return new SharedPostgresAdapter();
  }

  override createDriver(): Driver {
    return new ForgivingPostgresDriver(this.#config);
  }

  override createQueryCompiler(): QueryCompiler {
    return new ByteOrderCompiler();
  }
}
