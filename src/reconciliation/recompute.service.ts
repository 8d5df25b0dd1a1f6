import { recordAudit } from '../audit/audit.store.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import { discrepancyKey } from './compare.js';
import {
  changesByReceipt,
  changesTo,
  compareReceipt,
  compareUnowned,
  type DiscrepancyChanges,
  subjectsIn,
} from './compare-unit.js';
import {
  type ComparedSite,
  type ComparisonService,
  isSameCell,
  isSameTally,
} from './comparison.service.js';
import {
  deleteReceipt,
  hasMarks,
  orphanedDiscrepancies,
  orphanedReceipts,
  receiptIdsAfter,
  storedCells,
  storedDiscrepancies,
  storedReceipts,
  unownedDiscrepancies,
  unownedIdsAfter,
} from './comparison.store.js';
import { deliveriesById, receiptsToCompare, unownedToCompare } from './comparison-facts.store.js';
import { applyChanges } from './derived-discrepancies.store.js';
import { addCells, type Cell, cellKey } from './tally.js';

/** One place where what is stored is not what the rows say. */
export interface Difference {
  /** Receipt, or '' for what belongs to none. */
  readonly receiptId: string;
  readonly what: string;
}

/** Where the next page of a recomputation begins. */
export type RecomputeStart =
  | { readonly part: 'receipts'; readonly after: string }
  | { readonly part: 'unowned' };

export interface RecomputedPage {
  readonly differences: readonly Difference[];
  readonly receipts: number;
  readonly results: number;
  /** null on the last page. */
  readonly next: RecomputeStart | null;
}

/** Receipts of one transaction. */
const RECEIPTS_A_PAGE = 100;
const UNOWNED_A_CHUNK = 500;
/** Times that a page is looked at again because something was changed meanwhile. */
const LOOKS_MAX = 20;

/**
 * Compares everything from scratch with what the rounds have stored, a page a transaction. What is merely marked
 * is compared first, so that a difference is a fault of the bookkeeping and nothing else.
 */
export class RecomputeService {
  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly site: ComparedSite,
    private readonly comparison: ComparisonService,
  ) {}

  /** One page; with `repair` what differs is stored anew, with a trail entry. */
  page(start: RecomputeStart, repair: boolean): Promise<RecomputedPage> {
    return this.database.transact(async (trx) => {
      for (let look = 1; ; look += 1) {
        while ((await this.comparison.roundInTransaction(trx, true))?.isMore) {
          // Compared until nothing is marked.
        }
        const page =
          start.part === 'receipts'
            ? await this.#receipts(trx, start.after, repair)
            : await this.#unowned(trx, repair);
        // On a shared database rows may have been committed between the round and the look.
        const isDoubtful = page.differences.length > 0 && (await hasMarks(trx, this.site.site));
        if (!isDoubtful || repair || look === LOOKS_MAX) return page;
      }
    });
  }

  async #receipts(trx: Trx, after: string, repair: boolean): Promise<RecomputedPage> {
    const { site } = this.site;
    const now = this.clock.now();
    const settings = this.comparison.settingsAt(now);
    const ids = await receiptIdsAfter(trx, site, after, RECEIPTS_A_PAGE);
    const receipts = await receiptsToCompare(trx, site, ids);
    const tallies = new Map((await storedReceipts(trx, site, ids)).map((r) => [r.receiptId, r]));
    const cells = await storedCells(trx, site, ids);
    const subjects = receipts.flatMap(subjectsIn);
    const stored = await storedDiscrepancies(trx, site, ids, subjects);
    const differences: Difference[] = [];
    const differing = new Set<string>();
    const all = receipts.map((of) => ({ of, compared: compareReceipt(of, settings) }));
    const changes = changesByReceipt(
      all.map(({ of, compared }) => ({ of, discrepancies: compared.discrepancies })),
      stored,
    );
    for (const { of, compared } of all) {
      const tally = { ...compared.tally, nextDueAt: compared.nextDueAt };
      const what = [
        ...(isSameTally(tally, tallies.get(of.receiptId)) ? [] : ['counts of its containers']),
        ...cellDifferences(
          compared.cells,
          cells.filter((c) => c.receiptId === of.receiptId),
        ),
        ...changeWords(changes.get(of.receiptId)),
      ];
      if (what.length > 0) differing.add(of.receiptId);
      differences.push(...what.map((text) => ({ receiptId: of.receiptId, what: text })));
    }
    if (repair && differing.size > 0) {
      await this.comparison.compareReceipts(trx, [...differing], new Set(subjects), now);
      await this.#record(trx, differences);
    }
    const last = ids.at(-1);
    return {
      differences,
      receipts: receipts.length,
      results: receipts.reduce((n, r) => n + r.results.length, 0),
      next:
        last === undefined || ids.length < RECEIPTS_A_PAGE
          ? { part: 'unowned' }
          : { part: 'receipts', after: last },
    };
  }

  async #unowned(trx: Trx, repair: boolean): Promise<RecomputedPage> {
    const { site } = this.site;
    const settings = this.comparison.settingsAt(this.clock.now());
    const cells = new Map<string, Cell>();
    const changes: DiscrepancyChanges[] = [];
    const known = new Set<string>();
    let results = 0;
    for (const kind of ['result', 'delivery'] as const) {
      for (let after = ''; ; ) {
        const ids = await unownedIdsAfter(trx, site, kind, after, UNOWNED_A_CHUNK);
        const last = ids.at(-1);
        if (last === undefined) break;
        after = last;
        const facts =
          kind === 'result'
            ? await unownedToCompare(trx, site, ids)
            : { results: [], deliveries: await deliveriesById(trx, site, ids) };
        results += facts.results.length;
        const compared = compareUnowned(facts, settings);
        addCells(cells, compared.cells);
        for (const d of compared.discrepancies) known.add(discrepancyKey(d));
        const subjects = subjectsIn(facts);
        const stored = await storedDiscrepancies(trx, site, [], subjects);
        changes.push(changesTo(compared.discrepancies, stored, { containers: [], ...facts }));
      }
    }
    const orphans = [
      ...(await unownedDiscrepancies(trx, site)).filter((d) => !known.has(discrepancyKey(d))),
      ...(await orphanedDiscrepancies(trx, site)).filter((d) => d.receiptId !== null),
    ];
    changes.push(changesTo([], orphans, { containers: [], results: [], deliveries: [] }));
    const storedOnes = await storedCells(trx, site, ['']);
    const gone = await orphanedReceipts(trx, site);
    const differences = [
      ...cellDifferences([...cells.values()], storedOnes),
      ...changes.flatMap((change) => changeWords(change)),
      ...gone.map((id) => `counts of receipt ${id}, which nobody announced`),
    ].map((what) => ({ receiptId: '', what }));
    if (repair && differences.length > 0) {
      await this.comparison.saveCellsOf(trx, [...cells.values()], storedOnes);
      for (const change of changes) await applyChanges(trx, site, change, this.clock.now());
      for (const id of gone) await deleteReceipt(trx, site, id);
      await this.#record(trx, differences);
    }
    return { differences, receipts: 0, results, next: null };
  }

  async #record(trx: Trx, differences: readonly Difference[]): Promise<void> {
    const { site, timeZone } = this.site;
    await recordAudit(trx, {
      site,
      zone: timeZone,
      at: this.clock.now(),
      actor: { kind: 'system', name: 'reconciliation' },
      action: 'comparison.repaired',
      subjectKind: 'site',
      subjectId: site,
      reason: 'recomputed from scratch',
      after: {
        differences: differences.slice(0, DIFFERENCES_NAMED_MAX),
        count: differences.length,
      },
    });
  }
}

const DIFFERENCES_NAMED_MAX = 500;

function cellDifferences(cells: readonly Cell[], stored: readonly Cell[]): string[] {
  const before = new Map(stored.map((c) => [cellKey(c), c]));
  const now = new Map(cells.map((c) => [cellKey(c), c]));
  const words = (c: Cell) =>
    `counts of ${c.day}, instrument ${c.instrument || 'unknown'}${c.destination ? `, ${c.destination}` : ''}`;
  return [
    ...cells.filter((c) => !isSameCell(c, before.get(cellKey(c)))).map(words),
    ...stored.filter((c) => !now.has(cellKey(c))).map((c) => `${words(c)}, which nothing makes up`),
  ];
}

function changeWords(changes: DiscrepancyChanges | undefined): string[] {
  if (changes === undefined) return [];
  return [
    ...changes.open.map((d) => `${d.class} ${d.subject} is missing`),
    ...changes.update.map(({ to }) => `${to.class} ${to.subject} says something else`),
    ...changes.close.map(({ stored }) => `${stored.class} ${stored.subject} is open for no reason`),
  ];
}
