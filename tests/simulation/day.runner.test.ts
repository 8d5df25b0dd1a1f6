import { mkdtempSync, readdirSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Fastify, { type FastifyInstance } from 'fastify';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { contentParts } from '../../src/checks/bundle-parts.js';
import type { ResultBundle } from '../../src/intake/result-bundle.js';
import { type DaySetup, SimulatedDay } from '../../src/simulation/day.runner.js';
import { SimulatedInstrument } from '../../src/simulation/instrument.js';
import { openLedger } from '../../src/simulation/journal.files.js';
import { scoreCurve } from '../../src/simulation/score-curve.js';
import type { Story, StoryStep } from '../../src/simulation/story.js';
import { instrument, methodFor } from './support/method.js';
import { TestClock } from './support/stand-ins.js';

const HTTP = 'NQ-R-0001';
const FOLDER = 'NQ-R-0002';

interface Taken {
  readonly key: string;
  readonly authorization: string;
  readonly bundle: ResultBundle;
}

let gateway: FastifyInstance;
let url: string;
let taken: Taken[];
let watch: string;
let busy: number;

beforeEach(async () => {
  taken = [];
  busy = 0;
  watch = mkdtempSync(join(tmpdir(), 'inbox-'));
  gateway = Fastify({ bodyLimit: 4_194_304 });
  gateway.post('/api/v1/bundles', async (request, reply) => {
    busy -= 1;
    if (busy >= 0) return reply.status(503).send({});
    taken.push({
      key: String(request.headers['idempotency-key']),
      authorization: String(request.headers.authorization),
      bundle: request.body as ResultBundle,
    });
    return reply.status(202).send({ intakeId: String(taken.length) });
  });
  gateway.get('/api/v1/receipts/:id/statement', async () => ({
    containers: [
      { label: 'D-1', required: true },
      { label: 'D-2', required: false },
      { label: 'D-3', required: true },
    ],
  }));
  url = await gateway.listen({ host: '127.0.0.1', port: 0 });
});

afterEach(async () => {
  await gateway.close();
  rmSync(watch, { recursive: true });
});

function newDay(
  steps: readonly StoryStep[],
  sampled = 2,
  signal = new AbortController().signal,
): SimulatedDay {
  const clock = new TestClock();
  const story: Story = {
    steps,
    discrepancies: [],
    receipts: [
      {
        id: 'r-1',
        scanText: 'GR 1',
        material: 'NQ-1001',
        manufacturer: 'M',
        supplier: 'S',
        supplierLot: 'L',
        siteLot: 'NQL-1',
        area: 'east-dock',
        drums: ['D-1', 'D-2', 'D-3'].map((label) => ({ label, holds: 'paracetamol' as const })),
        sampled,
        expected: 'conforms',
        expectsStop: false,
        because: '',
      },
    ],
  };
  const handheld = (serial: string) =>
    new SimulatedInstrument({
      site: 'northquay',
      environment: 'training',
      timeZone: 'Europe/London',
      instrument: { ...instrument, serial },
      syncPc: 'sync-a',
      seed: 1,
      operators: [],
      score: scoreCurve,
    });
  const site = {
    methods: [methodFor('NQ-1001', 'paracetamol')],
    limits: { syncMarginMs: 0 },
  } as unknown as DaySetup['site'];
  return new SimulatedDay({
    story,
    site,
    clock,
    instruments: new Map([HTTP, FOLDER].map((serial) => [serial, handheld(serial)])),
    overHttp: new Set([HTTP]),
    gatewayUrl: url,
    watchDirectory: watch,
    bundleKey: 'bundle-key',
    statementKey: 'statement-key',
    erp: openLedger(null),
    receivedAt: clock.now(),
    signal,
    say: () => undefined,
  });
}

const measure = (drum: string, more: { presents?: string; serial?: string } = {}): StoryStep => ({
  do: 'measure',
  serial: HTTP,
  drum,
  operator: 'op-11',
  ...more,
});
const sync = (how: 'once' | 'twice' | 'spoilt' | 'lost', serial = HTTP): StoryStep => ({
  do: 'sync',
  serial,
  how,
});

describe('a simulated day', () => {
  it('hands a bundle over twice with the same content under two keys', async () => {
    const day = newDay([measure('D-1'), sync('twice')]);
    await day.run();
    expect(taken.map((t) => t.key)).toEqual(['"NQ-R-0001-1-B1"', '"NQ-R-0001-1-B1-again"']);
    expect(taken[0]?.bundle).toEqual(taken[1]?.bundle);
    expect(taken[0]?.authorization).toBe('Bearer bundle-key');
    expect(day.measured.map((r) => r.fate)).toEqual(['arrived']);
  });

  it('spoils one value and leaves the manifest as it was', async () => {
    const day = newDay([measure('D-1'), measure('D-2'), sync('spoilt')]);
    await day.run();
    const bundle = taken[0]?.bundle as ResultBundle;
    const parts = contentParts(bundle);
    const changed = parts.filter((part, i) => part.sha256 !== bundle.manifest.parts[i]?.sha256);
    expect(changed.map((part) => part.pointer)).toEqual(['/results/0']);
    expect(day.measured.map((r) => r.fate)).toEqual(['spoilt', 'spoilt']);
  });

  it('loses a bundle: its runs are used up and the next one names it as the one before', async () => {
    const day = newDay([measure('D-1'), sync('lost'), measure('D-2'), sync('once')]);
    await day.run();
    expect(taken).toHaveLength(1);
    expect(taken[0]?.bundle.runs).toEqual({ epoch: 1, first: 2, last: 2 });
    expect(taken[0]?.bundle.previousBundle).not.toBeNull();
    expect(day.measured.map((r) => r.fate)).toEqual(['lost', 'arrived']);
  });

  it('writes whole files into the watched folder, under a finished name only', async () => {
    const day = newDay([measure('D-1', { serial: FOLDER }), sync('once', FOLDER)]);
    await day.run();
    expect(readdirSync(watch)).toEqual(['NQ-R-0002-1-B1.json']);
    const text = readFileSync(join(watch, 'NQ-R-0002-1-B1.json'), 'utf8');
    expect((JSON.parse(text) as ResultBundle).results).toHaveLength(1);
    expect(taken).toEqual([]);
  });

  it('sends again with the same key while the gateway is not ready', async () => {
    busy = 2;
    await newDay([measure('D-1'), sync('once')]).run();
    expect(taken.map((t) => t.key)).toEqual(['"NQ-R-0001-1-B1"']);
  });

  it('keeps what really stood before the laser beside the label presented', async () => {
    const day = newDay([
      { do: 'change', drum: 'D-2', holds: 'sulfur' },
      measure('D-2'),
      measure('D-1', { presents: 'D-2' }),
    ]);
    await day.run();
    expect(day.measured).toMatchObject([
      { containerScan: 'D-2', drum: 'D-2', decision: 'fail' },
      { containerScan: 'D-2', drum: 'D-1', decision: 'pass' },
    ]);
    expect(day.drums.get('D-2')?.map((phase) => phase.holds)).toEqual(['paracetamol', 'sulfur']);
  });

  it('measures the containers that the plan chose, and complains when there are others than told', async () => {
    const chosen: StoryStep = {
      do: 'measure-chosen',
      serial: HTTP,
      receipt: 'r-1',
      operator: 'op-11',
    };
    const day = newDay([chosen]);
    await day.run();
    expect(day.measured.map((r) => r.containerScan)).toEqual(['D-1', 'D-3']);
    expect(day.problems).toEqual([]);
    const other = newDay([chosen], 3);
    await other.run();
    expect(other.problems).toEqual(['the plan chose 2 drums of r-1, not 3']);
  });

  it('ends where it stands when it is interrupted', async () => {
    const interruption = new AbortController();
    const waiting: StoryStep = { do: 'wait-released', receipt: 'r-1' };
    const day = newDay([measure('D-1'), waiting, measure('D-2')], 2, interruption.signal);
    const living = day.run();
    interruption.abort();
    await expect(living).rejects.toThrow(/abort/i);
    expect(day.measured).toHaveLength(1);
  });

  it('goes on as soon as the stand-in ERP has done what the story waits for', async () => {
    const day = newDay([
      { do: 'wait-released', receipt: 'r-1' },
      { do: 'wait-issued', receipt: 'r-1' },
    ]);
    const living = day.run();
    const at = '2026-03-04T12:00:00.000000Z';
    const deed = { at, askedAt: at, receiptId: 'r-1', revision: 1, containers: ['D-1'] };
    day.setup.erp.record({ event: 'released', ...deed });
    day.setup.erp.record({ event: 'issued', ...deed });
    await living;
    expect(day.problems).toEqual([]);
  });
});
