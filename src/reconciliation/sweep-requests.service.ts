import type { Actor } from '../audit/audit.store.js';
import { formatInstant } from '../formats/instant.js';
import { deliveryPrefix } from '../receipts/evidence-subject.js';
import type { OpenDatabase } from '../storage/database.js';
import type { DiscrepancyRow, SweepRow } from '../storage/tables.js';
import { openOfSweeps } from './holdings.store.js';
import type { SweepRequest, SweepService } from './sweep.service.js';
import { fieldPrefix, holdingPrefix } from './sweep-findings.service.js';
import type { SweepPeriod } from './sweep-rules.js';
import { recentSweeps, sweepById } from './sweeps.store.js';

const RECENT = 20;
const FINDINGS_MAX = 200;

/** A sweep as a person asks about it, with what its destination's sweeps have found and not closed. */
export interface ShownSweep {
  readonly id: string;
  readonly destination: string;
  readonly cause: string;
  readonly from: string;
  readonly to: string;
  readonly state: string;
  readonly pages: number;
  readonly items: number;
  readonly counts: unknown;
  readonly detail: string | null;
  readonly createdAt: string;
  readonly finishedAt: string | null;
}

export interface ShownFinding {
  readonly class: string;
  readonly subject: string;
  readonly receiptId: string | null;
  readonly detail: string;
  readonly openedAt: string;
}

/** What a person asks of the sweeps. */
export class SweepRequests {
  constructor(
    private readonly database: OpenDatabase,
    private readonly site: string,
    private readonly sweeps: SweepService,
    private readonly onRequested: (destination: string) => void,
  ) {}

  async request(
    destination: string,
    period: SweepPeriod,
    actor: Actor,
  ): Promise<
    | { readonly ok: true; readonly sweep: ShownSweep | null }
    | Extract<SweepRequest, { readonly ok: false }>
  > {
    const put = await this.sweeps.request(destination, period, 'person', actor);
    if (!put.ok) return put;
    this.onRequested(destination);
    const row = await sweepById(this.database.db, this.site, put.id);
    return { ok: true, sweep: row === undefined ? null : shown(row) };
  }

  async recent(destination: string): Promise<ShownSweep[]> {
    return (await recentSweeps(this.database.db, this.site, destination, RECENT)).map(shown);
  }

  async one(
    destination: string,
    id: string,
  ): Promise<(ShownSweep & { readonly findings: readonly ShownFinding[] }) | null> {
    const row = await sweepById(this.database.db, this.site, id);
    if (row === undefined || row.destination !== destination) return null;
    return { ...shown(row), findings: await this.#findings(destination) };
  }

  async #findings(destination: string): Promise<ShownFinding[]> {
    const prefixes = [fieldPrefix, deliveryPrefix, holdingPrefix].map((of) => of(destination));
    const found: DiscrepancyRow[] = [];
    for (const prefix of prefixes) {
      found.push(
        ...(await openOfSweeps(this.database.db, { site: this.site, destination, prefix })),
      );
    }
    return found.slice(0, FINDINGS_MAX).map((row) => ({
      class: row.class,
      subject: row.subject,
      receiptId: row.receipt_id,
      detail: row.detail,
      openedAt: formatInstant(row.opened_at),
    }));
  }
}

function shown(row: SweepRow): ShownSweep {
  return {
    id: row.id,
    destination: row.destination,
    cause: row.cause,
    from: formatInstant(row.from_at),
    to: formatInstant(row.to_at),
    state: row.state,
    pages: row.pages,
    items: row.items,
    counts: JSON.parse(row.counts) as unknown,
    detail: row.detail,
    createdAt: formatInstant(row.created_at),
    finishedAt: row.finished_at === null ? null : formatInstant(row.finished_at),
  };
}
