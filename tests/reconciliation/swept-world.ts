import type { DeliveryParts } from '../../src/delivery/delivery-parts.service.js';
import type { AskRequest } from '../../src/delivery/endpoint.js';
import { Looking } from '../../src/delivery/looking.service.js';
import { addMs } from '../../src/formats/instant.js';
import { openUnowned } from '../../src/pipeline/unreadable-evidence.service.js';
import { SweepService } from '../../src/reconciliation/sweep.service.js';
import { SweepFindings } from '../../src/reconciliation/sweep-findings.service.js';
import type {
  HeldList,
  MappingDocument,
  MessageMapping,
  MessageName,
} from '../../src/site/mapping-document.js';
import type { DeliveryRow } from '../../src/storage/tables.js';
import { answerOf } from '../delivery/answer-of.js';
import { time } from '../statements/conforming-facts.js';
import type { StatementWorld } from '../statements/statement-world.js';
import { LIST } from './list.js';

export type Held = Record<string, unknown>;

const CODES = { result: 'R', withdrawal: 'W', statement: 'T', stop: 'S' } as const;
const SOURCES = {
  result: 'record.resultId',
  withdrawal: 'withdrawal.resultId',
  statement: 'statement.receipt.receiptId',
  stop: 'statement.receipt.receiptId',
} as const;

function messageOf(name: keyof typeof CODES): MessageMapping {
  const field = (at: string) => ({ sent: at, held: at, as: 'exact' as const });
  return {
    request: { method: 'POST', path: 'messages' },
    fields: [
      { to: '/about', from: SOURCES[name] },
      { to: '/ref', from: 'reference' },
    ],
    answer: { echo: [], reference: '/no' },
    readBack: {
      request: { method: 'GET', path: 'ask?ref={deliveryId}' },
      items: '/entries',
      compare: [field('/ref'), field('/about'), field('/operator'), field('/decision')],
      applied: { held: '/applied', value: 'true' },
      revision: { sent: '/rev', held: '/rev' },
    },
    contract: null,
  } as unknown as MessageMapping;
}

const LISTED: HeldList = { ...LIST, next: null, message: { held: '/kind', codes: CODES } };

const DOCUMENT = {
  destination: 'lims',
  format: 'json',
  permits: [],
  tables: {},
  messages: {
    result: messageOf('result'),
    withdrawal: messageOf('withdrawal'),
    statement: messageOf('statement'),
    stop: messageOf('stop'),
  } satisfies Partial<Record<MessageName, MessageMapping>>,
  list: LISTED,
} as unknown as MappingDocument;

/** Sweeps of `lims` over a statement world, with a `lims` that holds what a test says. */
export class SweptWorld {
  /** What it holds, by the number it has there. */
  readonly held = new Map<string, Held>();
  /** Left out of its lists. */
  readonly unlisted = new Set<string>();
  /** Asked by itself, it answers 503 about these. */
  readonly silent = new Set<string>();
  /** References that were asked about. */
  readonly asked: string[] = [];
  /** What happens while it is asked about a delivery, before it answers. */
  meanwhile: (ref: string) => Promise<void> = () => Promise.resolve();
  /** What happens whenever a worker ended its turn, or died in it. */
  between: () => Promise<void> = () => Promise.resolve();
  /** Thrown at so many changes from now, as if the process had died behind their commit. */
  diesAt = 0;
  readonly #sent = new Map<string, Held>();
  #numbers = 0;

  private constructor(readonly world: StatementWorld) {}

  static over(world: StatementWorld): SweptWorld {
    return new SweptWorld(world);
  }

  get db() {
    return this.world.database.db;
  }

  /** What `lims` was to get and did not is there, applied and confirmed; returns the deliveries, in their order. */
  async confirmAll(): Promise<DeliveryRow[]> {
    const at = time('08:40');
    const rows = await this.db
      .selectFrom('delivery')
      .selectAll()
      .where('destination', '=', 'lims')
      .where('payload_sha256', 'is', null)
      .where('state', 'not in', ['cancelled', 'superseded'])
      .orderBy('id')
      .execute();
    for (const { id, subject_kind: kind, subject_id, subject_revision: rev, receipt_id } of rows) {
      const about = kind === 'result' ? subject_id : receipt_id;
      const sent = { ref: id, about, rev, operator: 'op-1', decision: 'PASSED' };
      this.#sent.set(id, sent);
      this.#numbers += 1;
      const no = `L-${this.#numbers}`;
      const code = CODES[kind as keyof typeof CODES];
      const shown = { kind: code, receipt: receipt_id, result: subject_id };
      this.held.set(no, { ...sent, ...shown, no, at: '2026-03-04T08:40:00Z', applied: true });
      await this.db
        .updateTable('delivery')
        .set({ state: 'confirmed', attempts: 1, accepted_at: at, confirmed_at: at })
        .set({ payload_sha256: id, fault: null })
        .where('id', '=', id)
        .execute();
    }
    return rows;
  }

  /** Changes what `lims` holds under the reference of a delivery. */
  show(id: string, change: Held): void {
    for (const [no, item] of this.held) {
      if (item['ref'] === id) this.held.set(no, { ...item, ...change });
    }
  }

  /** Another record under the reference of a delivery. */
  double(id: string): void {
    for (const [no, item] of [...this.held]) {
      if (item['ref'] === id) this.held.set(`${no}-again`, { ...item, no: `${no}-again` });
    }
  }

  lose(id: string): void {
    for (const [no, item] of this.held) if (item['ref'] === id) this.held.delete(no);
  }

  /** Lists and compares everything until now; a process that died is followed by another. */
  async sweep() {
    const { database, clock, site } = this.world;
    const sweeps = this.#service();
    const period = { from: time('07:00'), to: time('08:59') };
    clock.advance(3_600_000);
    const put = await sweeps.request('lims', period, 'person', { kind: 'system', name: 'test' });
    if (!put.ok) throw new Error(put.reason);
    for (let n = 0; n < 2_000; n += 1) {
      await this.#service()
        .workOnce('lims')
        .catch((error: unknown) => {
          if (!(error instanceof Died)) throw error;
        });
      await this.between();
      const row = await database.db
        .selectFrom('sweep')
        .select(['state', 'counts'])
        .where('id', '=', put.id)
        .where('site', '=', site.site)
        .executeTakeFirstOrThrow();
      if (row.state === 'done') return JSON.parse(row.counts) as Record<string, number>;
      clock.advance(1_000);
    }
    throw new Error('the sweep does not end');
  }

  /** Class and subject of what is open, by subject. */
  async open(): Promise<string[]> {
    const rows = await this.db
      .selectFrom('discrepancy')
      .select(['class', 'subject'])
      .where('closed_at', 'is', null)
      .where('derived', '=', 0)
      .orderBy('subject')
      .execute();
    return rows.map((row) => `${row.class} ${row.subject}`);
  }

  #service(): SweepService {
    const { database, clock, site, statements } = this.world;
    const findings = new SweepFindings(database, clock, site, {
      evaluate: (trx, id, now) => statements.evaluateInTransaction(trx, id, now),
      openUnowned: (discrepancy, before) =>
        openUnowned(database, clock, site.timeZone, statements, discrepancy, before),
      onChanged: () => {
        this.diesAt -= 1;
        if (this.diesAt === 0) throw new Died();
      },
    });
    return new SweepService({
      database,
      clock,
      site,
      worker: { id: 'worker', mayStart: true },
      since: addMs(clock.now(), -3_600_000),
      findings,
      looking: new Looking({
        options: {
          secrets: { mask: (text: string) => text },
          mapping: { forDigest: () => Promise.resolve({ document: DOCUMENT }) },
        },
        destination: () => ({ endpoint: { kind: 'http' }, timing: { deadlineMs: 1 } }),
        payloads: {
          read: (sha256: string) =>
            Promise.resolve({ bytes: new Uint8Array(), tree: this.#sent.get(sha256) ?? null }),
        },
        endpoint: () => ({ ask: ({ path }: AskRequest) => this.#answer(path) }),
      } as unknown as DeliveryParts),
      documents: new Map([['lims', DOCUMENT]]),
    });
  }

  async #answer(path: string) {
    const ref = new URL(path, 'http://x').searchParams.get('ref');
    const all = [...this.held.values()];
    if (ref === null) {
      return answerOf(200, { entries: all.filter((i) => !this.unlisted.has(String(i['ref']))) });
    }
    this.asked.push(ref);
    await this.meanwhile(ref);
    if (this.silent.has(ref)) return answerOf(503, {});
    return answerOf(200, { entries: all.filter((item) => item['ref'] === ref) });
  }
}

class Died extends Error {}
