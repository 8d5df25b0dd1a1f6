import { setTimeout as wait } from 'node:timers/promises';
import { ARCHIVE } from './gateway.mjs';

const LOOK_EVERY_MS = 100;
const DEADLINE_MS = 900_000;
const AT_ONCE = 2_000;

/**
 * Deliveries that wait at the archive, each under a key of its own, made as copies of one that came the usual way:
 * the figures are about what many of them cost, not about how they came.
 */
export class Backlog {
  #made = 0;

  constructor(query) {
    this.query = query;
  }

  /** Adds so many: unbuilt as a new one is, or as one whose payload was built already. */
  async add(count, { isBuilt }) {
    const template = await this.#template();
    const end = this.#made + count;
    while (this.#made < end) {
      const from = this.#made + 1;
      this.#made = Math.min(end, this.#made + AT_ONCE);
      await this.#copy(template, from, isBuilt);
    }
    await this.query('analyze delivery');
    await this.until('all of them are built', async () => (await this.unbuilt()) === 0);
  }

  async #copy(template, from, isBuilt) {
    await this.query(
      `insert into ordering_key select (jsonb_populate_record(k, jsonb_build_object(
         'key', 'result:copy-' || n, 'next_seq', 2))).*
       from ordering_key k, generate_series($1::int, $2::int) n
       where k.destination = $3 and k.key = $4`,
      [from, this.#made, ARCHIVE, template.ordering_key],
    );
    // Of no receipt and each about a result of its own, so that no statement has anything to do with it.
    if (!isBuilt) await this.#copyResults(template.subject_id, from);
    const unbuilt = isBuilt ? {} : { payload_sha256: null, content_type: null, request: null };
    const fresh = {
      ...{ state: 'due', seq: 1, attempts: 0, fence: 0, claimed_by: null },
      ...{ fault: null, reason: null, next_ask_at: null },
    };
    await this.query(
      `insert into delivery select (jsonb_populate_record(d, $5::jsonb || jsonb_build_object(
         'id', c.id, 'idempotency_key', c.id || '.1', 'subject_id', 'copy-' || n,
         'ordering_key', 'result:copy-' || n,
         'due_at', (extract(epoch from clock_timestamp()) * 1000000)::int8))).*
       from delivery d, generate_series($1::int, $2::int) n,
         lateral (select gen_random_uuid()::text || left('', n) as id) c
       where d.destination = $3 and d.id = $4`,
      [
        ...[from, this.#made, ARCHIVE, template.id],
        JSON.stringify({ ...fresh, ...unbuilt, receipt_id: null }),
      ],
    );
  }

  async waiting() {
    return await this.#count(`state = 'due'`);
  }

  async unbuilt() {
    return await this.#count(`state in ('due', 'building') and payload_sha256 is null`);
  }

  /** Nothing leaves for the archive. */
  async pause() {
    await this.#set(`paused = 1, pause_reason = 'benchmark'`);
  }

  /** All of it may leave at once, whatever the archive was like before. */
  async letGo() {
    await this.query(
      `update delivery set due_at = created_at where destination = $1 and state = 'due'`,
      [ARCHIVE],
    );
    await this.#set(`breaker = 'closed', breaker_failures = 0, breaker_until = null`);
  }

  async resume() {
    await this.#set('paused = 0, pause_reason = null');
  }

  async until(what, condition) {
    const end = performance.now() + DEADLINE_MS;
    while (!(await condition())) {
      if (performance.now() > end) throw new Error(`waited in vain until ${what}`);
      await wait(LOOK_EVERY_MS);
    }
  }

  async #copyResults(id, from) {
    const apart = { state: 'superseded', receipt_id: null, instrument_serial: null };
    await this.query(
      `insert into result select (jsonb_populate_record(r, $4::jsonb || jsonb_build_object(
         'id', 'copy-' || n, 'result_id', 'copy-' || n))).*
       from result r, generate_series($1::int, $2::int) n where r.id = $3`,
      [from, this.#made, id, JSON.stringify(apart)],
    );
  }

  async #template() {
    let found;
    const text = `select id, ordering_key, subject_id from delivery where destination = $1 and message = 'result'
       and state = 'due' and payload_sha256 is not null and build = 1 limit 1`;
    await this.until('a delivery waits at the archive', async () => {
      [found] = await this.query(text, [ARCHIVE]);
      return found !== undefined;
    });
    return found;
  }

  async #count(condition) {
    const text = `select count(*)::int as n from delivery where destination = $1 and ${condition}`;
    return (await this.query(text, [ARCHIVE]))[0].n;
  }

  async #set(assignments) {
    await this.query(`update destination set ${assignments} where name = $1`, [ARCHIVE]);
  }
}
