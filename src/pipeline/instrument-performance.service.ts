import { formatInstant, type Instant } from '../formats/instant.js';
import { latestSignatureOf } from '../signatures/signatures.store.js';
import type { Instrument, SiteFolder } from '../site/site-folder.js';
import { performanceCauseSubject } from '../statements/performance-cause.js';
import type {
  ListedInstrument,
  ShownCheck,
  ShownInstrument,
  ShownPerformance,
} from '../statements/performance-view.js';
import type { OpenDatabase } from '../storage/database.js';
import type { PerformanceCheckRow } from '../storage/tables.js';
import { heardInstruments, latestChecks } from './performance-failures.store.js';
import { performanceTrend, worstDeviation } from './performance-trend.js';

/** Checks shown and trended. */
const CHECKS_MAX = 500;

const CAUTION =
  'Drumline reports what was judged by the tolerances of the site. The pharmacopoeia in force and the qualification of the instrument decide; laser safety is a matter of local procedures.';

/** What the performance checks of one instrument say, over time. */
export class InstrumentPerformance {
  constructor(
    private readonly database: OpenDatabase,
    private readonly site: SiteFolder,
  ) {}

  /** Every instrument that is registered or was heard, by serial, with its latest check. */
  async list(): Promise<ListedInstrument[]> {
    const { db } = this.database;
    const heard = await heardInstruments(db, this.site.site);
    const registered = this.site.instruments.map(({ serial }) => serial);
    const listed: ListedInstrument[] = [];
    for (const serial of [...new Set([...registered, ...heard.keys()])].sort()) {
      const [row] = await latestChecks(db, this.site.site, serial, 1);
      const latest = row === undefined ? null : await this.#shown(row);
      listed.push({ ...this.#instrument(serial, heard), latest });
    }
    return listed;
  }

  /** null when nothing is known of the serial: neither registered nor heard. */
  async of(serial: string): Promise<ShownPerformance | null> {
    const { db } = this.database;
    const rows = await latestChecks(db, this.site.site, serial, CHECKS_MAX);
    const heard = await heardInstruments(db, this.site.site);
    const instrument = this.#instrument(serial, heard);
    if (instrument.registered === null && rows.length === 0 && !heard.has(serial)) return null;
    const checks: ShownCheck[] = [];
    for (const row of rows) checks.push(await this.#shown(row));
    return { ...instrument, checks, trend: performanceTrend(rows), caution: CAUTION };
  }

  #instrument(serial: string, heard: ReadonlyMap<string, Instant>): ShownInstrument {
    const instrument = this.site.instruments.find((one) => one.serial === serial);
    const at = heard.get(serial);
    return {
      serial,
      registered: instrument === undefined ? null : registration(instrument),
      // 0 stands for an instrument of which nothing was accepted yet.
      heardAt: at === undefined || at === 0 ? null : formatInstant(at),
    };
  }

  async #shown(row: PerformanceCheckRow): Promise<ShownCheck> {
    const signature =
      row.verdict === 'fail'
        ? await latestSignatureOf(this.database.db, this.site.site, performanceCauseSubject(row))
        : null;
    const cause = signature?.meaning === 'reviewed' ? signature : null;
    return {
      rowId: row.id,
      checkId: row.check_id,
      epoch: row.run_epoch,
      run: row.run_number,
      checkedAt: formatInstant(row.checked_at),
      standard: row.standard,
      reported: row.outcome,
      verdict: row.verdict,
      worst: worstDeviation(row),
      isCauseSigned: cause !== null,
      cause: cause && {
        by: cause.printedName,
        at: formatInstant(cause.at),
        reason: cause.reason,
      },
    };
  }
}

function registration({
  model,
  area,
  inService,
  inServiceSince,
  outOfService = [],
}: Instrument): ShownInstrument['registered'] {
  return {
    model,
    area,
    inService,
    inServiceSince: inServiceSince === undefined ? null : formatInstant(inServiceSince),
    outOfService: outOfService.map(({ from, to, decision }) => ({
      from: formatInstant(from),
      to: to === null ? null : formatInstant(to),
      decision,
    })),
  };
}
