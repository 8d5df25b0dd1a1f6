import { readFileSync } from 'node:fs';
import { parseArgs } from 'node:util';
import { anchoredClock } from '../storage/clock.js';
import { type MisbehaviourSchedule, seededSchedule, WELL_BEHAVED } from './misbehaviour.js';
import { startStandInErp } from './stand-in-erp.server.js';
import { startStandInLims } from './stand-in-lims.server.js';

/**
 * A stand-in destination as a process of its own, so that it lives on while a test kills the gateway:
 *
 *   node dist/simulation/stand-in.process.js --kind lims --port 0 --journal lims.jsonl --token secret
 *
 * Prints `{"event":"listening","url":"…"}` once it takes requests. SIGTERM and SIGINT end it.
 */
const KINDS = {
  /** Can be asked, does not honour keys. */
  lims: { honoursKey: false, askable: true },
  /** Stores a message once per key, can be asked, releases and issues stock. */
  erp: { honoursKey: true, askable: true },
  /** Neither honours keys nor can be asked. */
  neither: { honoursKey: false, askable: false },
} as const;

const { values } = parseArgs({
  options: {
    kind: { type: 'string' },
    port: { type: 'string', default: '0' },
    journal: { type: 'string' },
    token: { type: 'string', default: 'stand-in-token' },
    environment: { type: 'string', default: 'training' },
    /** JSON file of a `MisbehaviourSchedule`. */
    schedule: { type: 'string' },
    /** Seed of a schedule over the first `requests` stores instead of a file. */
    seed: { type: 'string' },
    requests: { type: 'string', default: '1000' },
    'processing-ms': { type: 'string', default: '50' },
    'holding-ms': { type: 'string', default: '8000' },
    'round-ms': { type: 'string', default: '500' },
  },
});

const kind = values.kind;
if (kind !== 'lims' && kind !== 'erp' && kind !== 'neither') {
  process.stderr.write(`--kind must be lims, erp or neither, found ${String(kind)}\n`);
  process.exit(2);
}

const options = {
  clock: anchoredClock(),
  token: values.token,
  journal: values.journal ?? null,
  schedule: readSchedule(),
  processingMs: Number(values['processing-ms']),
  ...KINDS[kind],
};
const standIn =
  kind === 'erp'
    ? await startStandInErp(
        {
          ...options,
          environment: values.environment,
          holdingMs: Number(values['holding-ms']),
          roundMs: Number(values['round-ms']),
        },
        Number(values.port),
      )
    : await startStandInLims(options, Number(values.port));

for (const signal of ['SIGTERM', 'SIGINT'] as const) {
  process.once(signal, () => void standIn.close().finally(() => process.exit(0)));
}
process.stdout.write(`${JSON.stringify({ event: 'listening', url: standIn.url })}\n`);

function readSchedule(): MisbehaviourSchedule {
  if (values.schedule !== undefined) {
    return JSON.parse(readFileSync(values.schedule, 'utf8')) as MisbehaviourSchedule;
  }
  if (values.seed !== undefined)
    return seededSchedule(Number(values.seed), Number(values.requests));
  return WELL_BEHAVED;
}
