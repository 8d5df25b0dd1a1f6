// npm run bench -- [--quick] [--only NAME] [--json] [--profile DIR]
import { parseArgs } from 'node:util';
import { DELIVERY_ROWS, deliveryRows } from './delivery.mjs';
import { DELIVERY_POSTGRES_ROWS, deliveryPostgresRows } from './delivery-postgres.mjs';
import { INTAKE_ROWS, intakeRows } from './intake.mjs';
import { PAIR_ROWS, pairRows } from './pair.mjs';
import { RESUME_ROWS, resumeSqliteRows } from './resume.mjs';
import { tableOf } from './rows.mjs';

const GROUPS = [
  { rows: INTAKE_ROWS, measure: intakeRows },
  { rows: DELIVERY_ROWS, measure: deliveryRows },
  { rows: DELIVERY_POSTGRES_ROWS, measure: deliveryPostgresRows },
  { rows: PAIR_ROWS, measure: pairRows },
  { rows: RESUME_ROWS.filter((row) => !row.onServers), measure: resumeSqliteRows },
];
const NAMES = GROUPS.flatMap((group) => group.rows.map((row) => row.name));
const HELP = `Measures the gateway beside baselines that run in turn with it. Prints a table.

  --quick        fewer rounds and less in each: shows that it runs, not how fast
  --only NAME    one row: ${NAMES.join(', ')}
  --json         one JSON line last on stdout, {"rows": […]}
  --profile DIR  writes CPU profiles of the gateway there
`;

const options = readOptions();
if (options.help) {
  process.stdout.write(HELP);
  process.exit(0);
}
if (options.only !== undefined && !NAMES.includes(options.only)) {
  process.stderr.write(`no row ${options.only}; there are ${NAMES.join(', ')}\n`);
  process.exit(2);
}

const say = (line) => process.stderr.write(`${line}\n`);
const rows = [];
for (const { rows: all, measure } of GROUPS) {
  const wanted = all.filter(({ name }) => options.only === undefined || options.only === name);
  if (wanted.length > 0) rows.push(...(await measure(wanted, { ...options, say })));
}
const table = `${tableOf(rows)}\n`;
if (options.json) process.stderr.write(table);
process.stdout.write(options.json ? `${JSON.stringify({ rows })}\n` : table);

function readOptions() {
  try {
    return parseArgs({
      options: {
        quick: { type: 'boolean', default: false },
        only: { type: 'string' },
        json: { type: 'boolean', default: false },
        profile: { type: 'string' },
        help: { type: 'boolean', default: false },
      },
    }).values;
  } catch (error) {
    process.stderr.write(`${error.message}\n\n${HELP}`);
    return process.exit(2);
  }
}
