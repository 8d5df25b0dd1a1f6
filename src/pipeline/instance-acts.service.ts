import { type Actor, recordAudit } from '../audit/audit.store.js';
import type { SweepService } from '../reconciliation/sweep.service.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import type { RecoveryService, RecoveryState, Resumed } from './recovery.service.js';

/** What a person does about the database as a whole. */
export class InstanceActs {
  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly site: SiteFolder,
    private readonly recovery: RecoveryService,
    private readonly sweeps: SweepService,
    private readonly instanceId: string,
  ) {}

  state(): Promise<RecoveryState> {
    return this.recovery.state(this.sweeps);
  }

  resume(act: Parameters<RecoveryService['resume']>[1]): Promise<Resumed> {
    return this.recovery.resume(this.sweeps, act);
  }

  async noteBackup(
    backup: { readonly sha256: string; readonly bytes: number },
    actor: Actor,
  ): Promise<void> {
    await this.database.transact((trx) =>
      recordAudit(trx, {
        site: this.site.site,
        zone: this.site.timeZone,
        at: this.clock.now(),
        actor,
        action: 'backup.made',
        subjectKind: 'instance',
        subjectId: this.instanceId,
        after: backup,
      }),
    );
  }
}
