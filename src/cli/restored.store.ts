import { recordAudit } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import type { Trx } from '../storage/database.js';
import type { InstanceRow } from '../storage/tables.js';

/** Has the next start of a database begin another life, wherever it is; returns the row as it was. */
export async function markRestored(trx: Trx, madeAt: string, now: Instant): Promise<InstanceRow> {
  const row = await trx.selectFrom('instance').selectAll().executeTakeFirstOrThrow();
  const site = await trx
    .selectFrom('site')
    .select('site')
    .orderBy('activated_at', 'desc')
    .limit(1)
    .executeTakeFirst();
  await trx.updateTable('instance').set({ place: null, recovering: 'restored' }).execute();
  await recordAudit(trx, {
    site: site?.site ?? '',
    zone: 'UTC',
    at: now,
    actor: { kind: 'cli', name: 'cli' },
    action: 'instance.restored',
    subjectKind: 'instance',
    subjectId: row.id,
    reason: `from the backup made at ${madeAt}`,
    before: { epoch: row.epoch },
    after: { recovering: 'restored' },
  });
  return row;
}
