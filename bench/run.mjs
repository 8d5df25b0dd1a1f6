// npm run bench -- [--quick] [--only NAME] [--json] [--profile DIR]
import { availableParallelism, loadavg } from 'node:os';
import { parseArgs } from 'node:util';
import { AUDIT_ROWS, auditRows } from './audit.mjs';
import { CONFUSION_ROWS, confusionRows } from './confusion.mjs';
import { DELIVERY_ROWS, deliveryRows } from './delivery.mjs';
import { DELIVERY_POSTGRES_ROWS, deliveryPostgresRows } from './delivery-postgres.mjs';
import { EXAMINE_ROWS, examineRows } from './examine.mjs';
import { FORMATS_ROWS, formatsRows } from './formats.mjs';
import { INTAKE_ROWS, intakeRows } from './intake.mjs';
import { PAIR_ROWS, pairRows } from './pair.mjs';
import { RECHECK_ROWS, recheckRows } from './recheck.mjs';
import { RECONCILE_ROWS, reconcileRows } from './reconcile.mjs';
import { RESUME_ROWS, resumeSqliteRows } from './resume.mjs';
import { tableOf } from './rows.mjs';
import { whyNoServers } from './server-pair.mjs';

const GROUPS = [
  { rows: INTAKE_ROWS, measure: intakeRows },
  { rows: DELIVERY_ROWS, measure: deliveryRows },
  { rows: DELIVERY_POSTGRES_ROWS, measure: deliveryPostgresRows, needsServers: true },
  { rows: PAIR_ROWS, measure: pairRows, needsServers: true },
  { rows: RESUME_ROWS.filter((row) => !row.onServers), measure: resumeSqliteRows },
  { name: 'audit', rows: AUDIT_ROWS, measure: auditRows },
  { name: 'formats', rows: FORMATS_ROWS, measure: formatsRows },
  { name: 'recheck', rows: RECHECK_ROWS, measure: recheckRows },
  { name: 'examine', rows: EXAMINE_ROWS, measure: examineRows },
  { name: 'confusion', rows: CONFUSION_ROWS, measure: confusionRows },
  { name: 'reconcile', rows: RECONCILE_ROWS, measure: reconcileRows },
];
const NAMES = GROUPS.flatMap(({ name, rows }) => [
  ...(name === undefined ? [] : [name]),
  ...rows.map((row) => row.name),
]);
const HELP = `Measures the gateway beside baselines that run in turn with it. Prints a table.

  --quick        fewer rounds and less in each: shows that it runs, not how fast
  --only NAME    only this row or group, or each named by an option of its own: ${NAMES.join(', ')}
  --results N    results of the reconcile group (default 50000, a million takes its time)
  --json         one JSON line last on stdout, {"rows": […], "machine": {…}}
  --profile DIR  writes CPU profiles of the gateway and its workers there

A row is {name, value, unit, ceiling, ratio, target, spread}: medians over the rounds, the spread of the value. Where
something stands beside it, the ceiling is that baseline's value and the ratio is to be the target or more. Where a
limit stands in its place, which the unit says, the ratio is value / limit and is to be 1 or less.

Rows about PostgreSQL and Redis make a database of their own at BENCH_DATABASE_URL (default:
postgres://postgres@127.0.0.1:5432/postgres) and start a redis-server of their own. docs/measures.md says what each
row measures.
`;

const options = readOptions();
if (options.help) {
  process.stdout.write(HELP);
  process.exit(0);
}
const unknown = options.only?.find((name) => !NAMES.includes(name));
if (unknown !== undefined) {
  process.stderr.write(`no row ${unknown}; there are ${NAMES.join(', ')}\n`);
  process.exit(2);
}

/** What else the machine does meets every figure; a load above the number of processors is somebody else's. */
const machine = { processors: availableParallelism(), loadBefore: loadavg()[0] };
// Processes that were started end with this one: each is a listener of its end, and a run of every row starts dozens.
process.setMaxListeners(0);
for (const signal of ['SIGINT', 'SIGTERM']) process.once(signal, () => process.exit(1));
const say = (line) => process.stderr.write(`${line}\n`);
const rows = [];
for (const { name: group, rows: all, measure, needsServers } of GROUPS) {
  const isWhole = options.only?.includes(group) ?? true;
  const wanted = all.filter(({ name }) => isWhole || options.only.includes(name));
  if (wanted.length === 0) continue;
  const why = needsServers ? await whyNoServers() : null;
  if (why === null) rows.push(...(await measure(wanted, { ...options, ...resultsAsked(), say })));
  else if (options.only || process.env.CI === 'true') throw new Error(`no server pair: ${why}`);
  else
    say(
      `not measured, for want of PostgreSQL or redis-server (${why}): ${wanted.map(({ name }) => name).join(', ')}`,
    );
}
machine.loadAfter = loadavg()[0];
const table = `${tableOf(rows)}\n`;
say(
  `${machine.processors} processors, load ${machine.loadBefore.toFixed(1)} before and ${machine.loadAfter.toFixed(1)} after`,
);
if (options.json) process.stderr.write(table);
process.stdout.write(options.json ? `${JSON.stringify({ rows, machine })}\n` : table);

function resultsAsked() {
  if (options.results === undefined) return {};
  const results = Number(options.results);
  if (Number.isInteger(results) && results >= 20) return { results };
  process.stderr.write(`--results: expected a whole number from 20, found ${options.results}\n`);
  return process.exit(2);
}

function readOptions() {
  try {
    return parseArgs({
      options: {
        quick: { type: 'boolean', default: false },
        only: { type: 'string', multiple: true },
        json: { type: 'boolean', default: false },
        profile: { type: 'string' },
        results: { type: 'string' },
        help: { type: 'boolean', default: false },
      },
    }).values;
  } catch (error) {
    process.stderr.write(`${error.message}\n\n${HELP}`);
    return process.exit(2);
  }
}
