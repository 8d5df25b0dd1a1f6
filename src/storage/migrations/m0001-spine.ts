// Longer than other files: one migration is one file, and it is never edited once it has shipped.

import { type Kysely, sql } from 'kysely';
import { dialectOf } from '../dialect.js';

/** Name, columns and rows of each index; the stores say the same rows in the same words. */
const OPEN_DELIVERIES = [
  [
    'delivery_to_build',
    'site, destination, contrary desc, due_at, seq',
    "state = 'due' and payload_sha256 is null",
  ],
  [
    'delivery_to_send',
    'site, destination, contrary desc, due_at, seq',
    "state in ('due', 'uncertain') and payload_sha256 is not null and message <> 'stop'",
  ],
  [
    'delivery_due_later',
    'site, destination, due_at',
    "state in ('due', 'uncertain') and due_at > 0",
  ],
  ['delivery_to_ask', 'site, destination, next_ask_at', 'next_ask_at is not null'],
  ['delivery_under_way', 'site, state, destination', "state in ('building', 'sending')"],
  [
    'delivery_open_stop',
    'site, destination',
    "message = 'stop' and state not in ('confirmed', 'cancelled', 'superseded')",
  ],
  [
    'delivery_holding_key',
    'site, destination, ordering_key, seq',
    "state not in ('accepted', 'confirmed', 'cancelled', 'superseded')",
  ],
] as const;

/**
 * The spine: every table of the first release. Column types are the portable set of design §3; what
 * must differ between databases (the type of raw bytes, trigger syntax) comes from the dialect file.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  const blob = sql.raw(await dialectOf(db).bytesType(db));
  const table = (name: string) => db.schema.createTable(name);
  const flag = () => sql`integer`;

  await table('instance')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('epoch', 'integer', (c) => c.notNull())
    .addColumn('created_at', 'bigint', (c) => c.notNull())
    .execute();

  await table('site')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('digest', 'text', (c) => c.notNull())
    .addColumn('content', 'text', (c) => c.notNull())
    .addColumn('activated_at', 'bigint', (c) => c.notNull())
    .addPrimaryKeyConstraint('site_pk', ['site', 'digest'])
    .execute();

  await table('site_evidence')
    .addColumn('site', 'text', (c) => c.primaryKey())
    .addColumn('version', 'bigint', (c) => c.notNull())
    .execute();

  for (const name of ['raw_bytes', 'payload_bytes']) {
    await table(name)
      .addColumn('sha256', 'text', (c) => c.primaryKey())
      .addColumn('size', 'bigint', (c) => c.notNull())
      .addColumn('bytes', blob, (c) => c.notNull())
      .execute();
  }

  await table('bundle')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('bundle_id', 'text')
    .addColumn('raw_sha256', 'text', (c) => c.notNull())
    .addColumn('canonical_digest', 'text')
    .addColumn('state', 'text', (c) => c.notNull())
    .addColumn('duplicate_of', 'text')
    .addColumn('source_kind', 'text', (c) => c.notNull())
    .addColumn('source_name', 'text', (c) => c.notNull())
    .addColumn('file_name', 'text')
    .addColumn('received_at', 'bigint', (c) => c.notNull())
    .addColumn('settled_at', 'bigint')
    .addColumn('environment', 'text')
    .addColumn('origin', 'text')
    .addColumn('instrument_serial', 'text')
    .addColumn('run_epoch', 'integer')
    .addColumn('run_first', 'bigint')
    .addColumn('run_last', 'bigint')
    .addColumn('strikes', 'integer', (c) => c.notNull().defaultTo(0))
    .addColumn('examining_by', 'text')
    .addUniqueConstraint('bundle_raw_unique', ['site', 'raw_sha256'])
    .execute();
  await db.schema
    .createIndex('bundle_by_state')
    .on('bundle')
    .columns(['site', 'state', 'received_at'])
    .execute();
  await db.schema
    .createIndex('bundle_by_claimed_id')
    .on('bundle')
    .columns(['site', 'bundle_id'])
    .execute();
  await db.schema
    .createIndex('bundle_by_canonical')
    .on('bundle')
    .columns(['site', 'canonical_digest'])
    .execute();

  await table('intake_key')
    .addColumn('caller', 'text', (c) => c.notNull())
    .addColumn('key', 'text', (c) => c.notNull())
    .addColumn('raw_sha256', 'text', (c) => c.notNull())
    .addColumn('bundle_row_id', 'text', (c) => c.notNull())
    .addColumn('created_at', 'bigint', (c) => c.notNull())
    .addPrimaryKeyConstraint('intake_key_pk', ['caller', 'key'])
    .execute();

  await table('finding')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('bundle_row_id', 'text', (c) => c.notNull())
    .addColumn('result_row_id', 'text')
    .addColumn('code', 'text', (c) => c.notNull())
    .addColumn('severity', 'text', (c) => c.notNull())
    .addColumn('pointer', 'text', (c) => c.notNull())
    .addColumn('message', 'text', (c) => c.notNull())
    .addColumn('advice', 'text', (c) => c.notNull())
    .addColumn('numbers', 'text')
    .execute();
  await db.schema
    .createIndex('finding_by_bundle')
    .on('finding')
    .columns(['bundle_row_id'])
    .execute();

  await table('result')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('result_id', 'text', (c) => c.notNull())
    .addColumn('revision', 'integer', (c) => c.notNull())
    .addColumn('bundle_row_id', 'text', (c) => c.notNull())
    .addColumn('pointer', 'text', (c) => c.notNull())
    .addColumn('state', 'text', (c) => c.notNull())
    .addColumn('instrument_serial', 'text')
    .addColumn('run_epoch', 'integer')
    .addColumn('run_number', 'bigint')
    .addColumn('mode', 'text')
    .addColumn('decision', 'text')
    .addColumn('contrary', flag(), (c) => c.notNull())
    .addColumn('receipt_id', 'text')
    .addColumn('receipt_scanned', 'text')
    .addColumn('container_scanned', 'text')
    .addColumn('container_label', 'text')
    .addColumn('material', 'text')
    .addColumn('matched_material', 'text')
    .addColumn('lot', 'text')
    .addColumn('method_id', 'text')
    .addColumn('method_version', 'text')
    .addColumn('operator_id', 'text')
    .addColumn('measured_at', 'bigint')
    .addColumn('measured_text', 'text')
    .addColumn('environment', 'text')
    .addColumn('origin', 'text')
    .addColumn('recheck', 'text')
    .addColumn('record', 'text')
    .addColumn('record_sha256', 'text')
    .addColumn('animl_sha256', 'text')
    .addColumn('animl_writer', 'text')
    .addColumn('spectrum_sha256', 'text')
    .addColumn('element_sha256', 'text', (c) => c.notNull())
    .addUniqueConstraint('result_unique', [
      'site',
      'result_id',
      'revision',
      'bundle_row_id',
      'pointer',
    ])
    .execute();
  for (const [name, columns] of [
    ['result_by_receipt', ['site', 'receipt_id']],
    ['result_by_bundle', ['bundle_row_id']],
    ['result_by_run', ['site', 'instrument_serial', 'run_epoch', 'run_number']],
    ['result_by_measured', ['site', 'measured_at']],
    ['result_by_scan', ['site', 'receipt_scanned']],
    ['result_by_id', ['site', 'result_id']],
  ] as const) {
    await db.schema
      .createIndex(name)
      .on('result')
      .columns([...columns])
      .execute();
  }

  await table('performance_check')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('bundle_row_id', 'text', (c) => c.notNull())
    .addColumn('check_id', 'text', (c) => c.notNull())
    .addColumn('instrument_serial', 'text', (c) => c.notNull())
    .addColumn('run_epoch', 'integer', (c) => c.notNull())
    .addColumn('run_number', 'bigint', (c) => c.notNull())
    .addColumn('checked_at', 'bigint', (c) => c.notNull())
    .addColumn('standard', 'text', (c) => c.notNull())
    .addColumn('outcome', 'text', (c) => c.notNull())
    .addColumn('document', 'text', (c) => c.notNull())
    .addColumn('element_sha256', 'text', (c) => c.notNull())
    .execute();
  await db.schema
    .createIndex('performance_check_by_run')
    .on('performance_check')
    .columns(['site', 'instrument_serial', 'run_epoch', 'run_number'])
    .execute();

  await table('instrument_state')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('serial', 'text', (c) => c.notNull())
    .addColumn('epoch', 'integer', (c) => c.notNull())
    .addColumn('last_run', 'bigint', (c) => c.notNull())
    .addColumn('last_bundle_sha256', 'text')
    .addColumn('heard_at', 'bigint', (c) => c.notNull())
    .addColumn('covered', 'text', (c) => c.notNull())
    .addPrimaryKeyConstraint('instrument_state_pk', ['site', 'serial'])
    .execute();

  await table('receipt')
    .addColumn('id', 'text', (c) => c.notNull())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('announced', flag(), (c) => c.notNull())
    .addColumn('receipt_number', 'text')
    .addColumn('line', 'text')
    .addColumn('material', 'text')
    .addColumn('manufacturer', 'text')
    .addColumn('supplier', 'text')
    .addColumn('supplier_lot', 'text')
    .addColumn('site_lot', 'text')
    .addColumn('quantity', 'text')
    .addColumn('area', 'text')
    .addColumn('received_at', 'bigint')
    .addColumn('dock_count', 'integer')
    .addColumn('counted_by', 'text')
    .addColumn('retest_at', 'bigint')
    .addColumn('scan_text', 'text', (c) => c.notNull())
    .addColumn('plan', 'text')
    .addColumn('revision', 'integer', (c) => c.notNull())
    .addColumn('facts_version', 'bigint', (c) => c.notNull())
    .addColumn('evaluation_due', flag(), (c) => c.notNull())
    .addPrimaryKeyConstraint('receipt_pk', ['site', 'id'])
    .addUniqueConstraint('receipt_scan_unique', ['site', 'scan_text'])
    .execute();
  await db.schema
    .createIndex('receipt_by_due')
    .on('receipt')
    .columns(['site', 'evaluation_due'])
    .execute();
  await db.schema
    .createIndex('receipt_by_lot')
    .on('receipt')
    .columns(['site', 'site_lot'])
    .execute();

  await table('receipt_revision')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('receipt_id', 'text', (c) => c.notNull())
    .addColumn('revision', 'integer', (c) => c.notNull())
    .addColumn('document', 'text', (c) => c.notNull())
    .addColumn('source', 'text', (c) => c.notNull())
    .addColumn('actor', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addUniqueConstraint('receipt_revision_unique', ['site', 'receipt_id', 'revision'])
    .execute();

  await table('container')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('receipt_id', 'text', (c) => c.notNull())
    .addColumn('label', 'text', (c) => c.notNull())
    .addColumn('normalised', 'text', (c) => c.notNull())
    .addColumn('required', flag(), (c) => c.notNull())
    .addColumn('position', 'integer', (c) => c.notNull())
    .addPrimaryKeyConstraint('container_pk', ['site', 'receipt_id', 'label'])
    .addUniqueConstraint('container_normalised_unique', ['site', 'receipt_id', 'normalised'])
    .execute();

  await table('discrepancy')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('class', 'text', (c) => c.notNull())
    .addColumn('subject', 'text', (c) => c.notNull())
    .addColumn('receipt_id', 'text')
    .addColumn('container_label', 'text')
    .addColumn('destination', 'text')
    .addColumn('scope', 'text')
    .addColumn('detail', 'text', (c) => c.notNull())
    .addColumn('opened_at', 'bigint', (c) => c.notNull())
    .addColumn('closed_at', 'bigint')
    .addColumn('closing_evidence', 'text')
    .execute();
  await db.schema
    .createIndex('discrepancy_open_once')
    .unique()
    .on('discrepancy')
    .columns(['site', 'class', 'subject'])
    .where(sql.ref('closed_at'), 'is', null)
    .execute();
  await db.schema
    .createIndex('discrepancy_by_receipt')
    .on('discrepancy')
    .columns(['site', 'receipt_id'])
    .execute();

  await table('statement')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('receipt_id', 'text', (c) => c.notNull())
    .addColumn('revision', 'integer', (c) => c.notNull())
    .addColumn('outcome', 'text', (c) => c.notNull())
    .addColumn('document', 'text', (c) => c.notNull())
    .addColumn('digest', 'text', (c) => c.notNull())
    .addColumn('facts_version', 'bigint', (c) => c.notNull())
    .addColumn('evaluated_at', 'bigint', (c) => c.notNull())
    .addPrimaryKeyConstraint('statement_pk', ['site', 'receipt_id', 'revision'])
    .execute();

  await table('stop')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('receipt_id', 'text', (c) => c.notNull())
    .addColumn('kind', 'text', (c) => c.notNull())
    .addColumn('statement_revision', 'integer', (c) => c.notNull())
    .addColumn('reason', 'text', (c) => c.notNull())
    .addColumn('issued_at', 'bigint', (c) => c.notNull())
    .addColumn('effective_at', 'bigint')
    .addUniqueConstraint('stop_unique', ['site', 'receipt_id', 'statement_revision'])
    .execute();

  await table('statement_pull')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('receipt_id', 'text', (c) => c.notNull())
    .addColumn('revision', 'integer', (c) => c.notNull())
    .addColumn('outcome', 'text', (c) => c.notNull())
    .addColumn('caller', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .execute();

  await table('withdrawal')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('result_row_id', 'text', (c) => c.notNull().unique())
    .addColumn('result_id', 'text', (c) => c.notNull())
    .addColumn('result_revision', 'integer', (c) => c.notNull())
    .addColumn('receipt_id', 'text')
    .addColumn('reason', 'text', (c) => c.notNull())
    .addColumn('document', 'text', (c) => c.notNull())
    .addColumn('issued_at', 'bigint', (c) => c.notNull())
    .execute();

  await table('destination')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('name', 'text', (c) => c.notNull())
    .addColumn('tokens', 'double precision', (c) => c.notNull())
    .addColumn('tokens_at', 'bigint', (c) => c.notNull())
    .addColumn('breaker', 'text', (c) => c.notNull())
    .addColumn('breaker_failures', 'integer', (c) => c.notNull())
    .addColumn('breaker_until', 'bigint')
    .addColumn('paused', flag(), (c) => c.notNull())
    .addColumn('pause_reason', 'text')
    .addPrimaryKeyConstraint('destination_pk', ['site', 'name'])
    .execute();

  await table('mapping_revision')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('destination', 'text', (c) => c.notNull())
    .addColumn('digest', 'text', (c) => c.notNull())
    .addColumn('content', 'text', (c) => c.notNull())
    .addColumn('activated_at', 'bigint', (c) => c.notNull())
    .addColumn('activated_by', 'text', (c) => c.notNull())
    .addColumn('approved_by', 'text', (c) => c.notNull())
    .addColumn('active', flag(), (c) => c.notNull())
    .addPrimaryKeyConstraint('mapping_revision_pk', ['site', 'destination', 'digest'])
    .execute();

  await table('ordering_key')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('destination', 'text', (c) => c.notNull())
    .addColumn('key', 'text', (c) => c.notNull())
    .addColumn('next_seq', 'bigint', (c) => c.notNull())
    .addColumn('lease_worker', 'text')
    .addColumn('lease_until', 'bigint')
    .addColumn('fence', 'bigint', (c) => c.notNull())
    .addPrimaryKeyConstraint('ordering_key_pk', ['site', 'destination', 'key'])
    .execute();

  await table('delivery')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('subject_kind', 'text', (c) => c.notNull())
    .addColumn('subject_id', 'text', (c) => c.notNull())
    .addColumn('subject_revision', 'integer', (c) => c.notNull())
    .addColumn('receipt_id', 'text')
    .addColumn('destination', 'text', (c) => c.notNull())
    .addColumn('message', 'text', (c) => c.notNull())
    .addColumn('build', 'integer', (c) => c.notNull())
    .addColumn('state', 'text', (c) => c.notNull())
    .addColumn('ordering_key', 'text', (c) => c.notNull())
    .addColumn('seq', 'bigint', (c) => c.notNull())
    .addColumn('barrier', flag(), (c) => c.notNull())
    .addColumn('contrary', flag(), (c) => c.notNull())
    .addColumn('mapping_digest', 'text', (c) => c.notNull())
    .addColumn('payload_sha256', 'text')
    .addColumn('content_type', 'text')
    .addColumn('request', 'text')
    .addColumn('idempotency_key', 'text', (c) => c.notNull().unique())
    .addColumn('created_at', 'bigint', (c) => c.notNull())
    .addColumn('due_at', 'bigint', (c) => c.notNull())
    .addColumn('attempts', 'integer', (c) => c.notNull())
    .addColumn('absent_asks', 'integer', (c) => c.notNull())
    .addColumn('next_ask_at', 'bigint')
    .addColumn('fence', 'bigint', (c) => c.notNull())
    .addColumn('claimed_by', 'text')
    .addColumn('accepted_at', 'bigint')
    .addColumn('confirmed_at', 'bigint')
    .addColumn('destination_reference', 'text')
    .addColumn('reason', 'text')
    .addColumn('fault', 'text')
    .addUniqueConstraint('delivery_identity', [
      'site',
      'subject_kind',
      'subject_id',
      'subject_revision',
      'destination',
      'message',
      'build',
    ])
    .addUniqueConstraint('delivery_order', ['site', 'destination', 'ordering_key', 'seq'])
    .execute();
  for (const [name, columns] of [
    ['delivery_by_receipt', ['site', 'receipt_id', 'destination']],
    ['delivery_by_subject', ['site', 'subject_kind', 'subject_id']],
  ] as const) {
    await db.schema
      .createIndex(name)
      .on('delivery')
      .columns([...columns])
      .execute();
  }
  // Of what is still to be done only: work is found by these, and a delivery leaves them when it is through.
  for (const [name, columns, rows] of OPEN_DELIVERIES) {
    await sql.raw(`create index ${name} on delivery (${columns}) where ${rows}`).execute(db);
  }

  await table('attempt')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('delivery_id', 'text', (c) => c.notNull())
    .addColumn('number', 'integer', (c) => c.notNull())
    .addColumn('kind', 'text', (c) => c.notNull())
    .addColumn('worker', 'text', (c) => c.notNull())
    .addColumn('fence', 'bigint', (c) => c.notNull())
    .addColumn('started_at', 'bigint', (c) => c.notNull())
    .addColumn('finished_at', 'bigint')
    .addColumn('outcome', 'text')
    .addColumn('status', 'integer')
    .addColumn('answer', 'text')
    .addColumn('detail', 'text')
    .execute();
  await db.schema
    .createIndex('attempt_by_delivery')
    .on('attempt')
    .columns(['delivery_id', 'number'])
    .execute();

  await table('worker')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('started_at', 'bigint', (c) => c.notNull())
    .addColumn('heartbeat_at', 'bigint', (c) => c.notNull())
    .addColumn('stopped_at', 'bigint')
    .execute();

  await table('api_key')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('name', 'text', (c) => c.notNull())
    .addColumn('scopes', 'text', (c) => c.notNull())
    .addColumn('secret_sha256', 'text', (c) => c.notNull().unique())
    .addColumn('created_at', 'bigint', (c) => c.notNull())
    .addColumn('expires_at', 'bigint')
    .addColumn('last_used_at', 'bigint')
    .addColumn('revoked_at', 'bigint')
    .execute();

  await table('audit_entry')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addColumn('zone', 'text', (c) => c.notNull())
    .addColumn('actor_kind', 'text', (c) => c.notNull())
    .addColumn('actor', 'text', (c) => c.notNull())
    .addColumn('action', 'text', (c) => c.notNull())
    .addColumn('subject_kind', 'text', (c) => c.notNull())
    .addColumn('subject_id', 'text', (c) => c.notNull())
    .addColumn('reason', 'text')
    .addColumn('before', 'text')
    .addColumn('after', 'text')
    .addColumn('sequence', 'bigint')
    .execute();
  await db.schema
    .createIndex('audit_entry_by_subject')
    .on('audit_entry')
    .columns(['site', 'subject_kind', 'subject_id'])
    .execute();
  await db.schema
    .createIndex('audit_entry_by_time')
    .on('audit_entry')
    .columns(['site', 'at'])
    .execute();

  // What must never change once written, whoever asks: enforced by the database itself.
  for (const name of [
    'raw_bytes',
    'payload_bytes',
    'finding',
    'receipt_revision',
    'statement',
    'statement_pull',
    'withdrawal',
  ]) {
    await guardImmutable(db, name, ['update', 'delete']);
  }
  for (const name of ['bundle', 'result', 'delivery', 'attempt', 'stop', 'discrepancy']) {
    await guardImmutable(db, name, ['delete']);
  }
  await guardAudit(db);
}

async function guardImmutable(
  db: Kysely<unknown>,
  table: string,
  actions: readonly ('update' | 'delete')[],
): Promise<void> {
  for (const action of actions) {
    const message = `${table} rows are kept as written`;
    await dialectOf(db).guardRows(db, { table, action, message });
  }
}

/** The sealer may number an unsealed entry (issue: sealed trail); nothing else about it may change. */
async function guardAudit(db: Kysely<unknown>): Promise<void> {
  await guardImmutable(db, 'audit_entry', ['delete']);
  const kept = ['id', 'at', 'actor', 'action', 'subject_id', 'reason', 'before', 'after'];
  await dialectOf(db).guardRows(db, {
    table: 'audit_entry',
    action: 'update',
    when: [
      'old.sequence is not null',
      ...kept.map((column) => `new.${column} is distinct from old.${column}`),
    ].join(' or '),
    message: 'audit entries are kept as written',
  });
}
