import { formatInstant } from '../formats/instant.js';
import type { SiteFolder } from '../site/site-folder.js';
import { isCauseSigned } from '../statements/checks.store.js';
import type { OpenDatabase } from '../storage/database.js';
import { latestChecks } from './performance-failures.store.js';
import { type PeakTrend, performanceTrend } from './performance-trend.js';

/** Checks shown and trended. */
const CHECKS_MAX = 500;

export interface ShownCheck {
  readonly rowId: string;
  readonly checkId: string;
  readonly epoch: number;
  readonly run: number;
  readonly checkedAt: string;
  readonly standard: string;
  readonly reported: 'pass' | 'fail';
  readonly verdict: 'pass' | 'fail' | 'void';
  /** Of a failed one: whether its cause is signed. */
  readonly isCauseSigned: boolean;
}

export interface ShownPerformance {
  readonly serial: string;
  /** Oldest first; the latest five hundred. */
  readonly checks: readonly ShownCheck[];
  readonly trend: readonly PeakTrend[];
  readonly caution: string;
}

const CAUTION =
  'Drumline reports what was judged by the tolerances of the site. The pharmacopoeia in force and the qualification of the instrument decide; laser safety is a matter of local procedures.';

/** What the performance checks of one instrument say, over time. */
export class InstrumentPerformance {
  constructor(
    private readonly database: OpenDatabase,
    private readonly site: SiteFolder,
  ) {}

  /** null when nothing is known of the serial: neither registered nor heard. */
  async of(serial: string): Promise<ShownPerformance | null> {
    const { db } = this.database;
    const rows = await latestChecks(db, this.site.site, serial, CHECKS_MAX);
    const isKnown = this.site.instruments.some((instrument) => instrument.serial === serial);
    if (!isKnown && rows.length === 0) return null;
    const checks: ShownCheck[] = [];
    for (const row of rows) {
      const isFailed = row.verdict === 'fail';
      checks.push({
        rowId: row.id,
        checkId: row.check_id,
        epoch: row.run_epoch,
        run: row.run_number,
        checkedAt: formatInstant(row.checked_at),
        standard: row.standard,
        reported: row.outcome,
        verdict: row.verdict,
        isCauseSigned: isFailed && (await isCauseSigned(db, this.site.site, row.id)),
      });
    }
    return { serial, checks, trend: performanceTrend(rows), caution: CAUTION };
  }
}
