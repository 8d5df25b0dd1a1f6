import { join } from 'node:path';
import Database from 'better-sqlite3';
import { afterEach, describe, expect, it } from 'vitest';
import { Dock, receiptOf } from '../support/dock.js';
import { GatewayWorld } from '../support/gateway-world.js';

/** Tables that grow with what is measured; all others stay as small as the site. */
const GROWING = ['attempt', 'audit_entry', 'bundle', 'container', 'delivery', 'finding', 'result'];
const READS_A_SITE = new RegExp(
  `SCAN (?:${GROWING.join('|')})\\b|SEARCH (?:${GROWING.join('|')}) [^|]*\\(site=\\?\\)`,
);
/** Read in the order of an index, from its end or from where they left off, and never to the other end. */
const BOUNDED = [
  /^select "at" from "audit_entry" where "site" = \? order by "at" desc limit \?$/,
  /^select \* from "audit_entry" where "site" = \? and "sequence" is null order by .* limit \? \+ 0$/,
  /^with recursive waiting \(name\) as \( select min\(lane\) from bundle /,
];
/** Read by an index of what waits, which holds nothing else. */
const WAITING = [
  /^select \S+(?: as \S+)? from "bundle" where "site" = \? and "state" = 'received'/,
];
/** What runs once: migrations, and what somebody asks for by hand. */
const ONCE = [
  /^insert into lane /,
  /^update discrepancy set counts_from/,
  /^select "site", "receipt_id", "normalised" from "container" where "normalised" like \?$/,
];
/** Asked when a new message is declared: counts what waits for it, once a start. */
const AT_START = [/^select "destination", "message", count\(\*\)/];
/** Asked by these tests. */
const BY_TESTS = [/^select subject_kind as kind, destination as what, state from delivery/];

const prepare = Database.prototype.prepare;
let world: GatewayWorld | null = null;

afterEach(async () => {
  Database.prototype.prepare = prepare;
  await world?.close();
  world = null;
});

describe.skipIf(process.env['TEST_PAIR'] === 'postgresql')('queries of a whole story', () => {
  it('read no table that grows by nothing but its site', async () => {
    const seen = new Set<string>();
    Database.prototype.prepare = function (this: Database.Database, text: string) {
      seen.add(text);
      return prepare.call(this, text);
    } as typeof prepare;
    world = await GatewayWorld.open();
    const dock = new Dock(world);
    await dock.conform(receiptOf(1));
    await world.http({ path: `/api/v1/trace?term=D1-01` });
    const file = new Database(join(world.directory, 'data', 'drumline.db'), { readonly: true });
    const plans = [...seen]
      .filter((text) => /^\s*(?:select|update|delete|insert|with)\b/i.test(text))
      .map((text) => text.trim().replaceAll(/\s+/g, ' '))
      .map((text) => ({ text, plan: planOf(file, text) }));
    file.close();
    expect(plans.length).toBeGreaterThan(150);
    const allowed = [...BOUNDED, ...WAITING, ...ONCE, ...AT_START, ...BY_TESTS];
    expect(
      plans.filter(
        ({ text, plan }) => READS_A_SITE.test(plan) && !allowed.some((rule) => rule.test(text)),
      ),
    ).toEqual([]);
  });
});

function planOf(file: Database.Database, text: string): string {
  const count = text.match(/\?/g)?.length ?? 0;
  try {
    const rows = prepare.call(file, `explain query plan ${text}`).all(Array(count).fill(1));
    return (rows as { detail: string }[]).map((row) => row.detail).join(' | ');
  } catch (error) {
    // A migration read a table that a later one dropped.
    if (error instanceof Database.SqliteError && /no such (?:table|column)/.test(error.message)) {
      return '';
    }
    throw error;
  }
}
