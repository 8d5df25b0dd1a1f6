import type { Story, StoryReceipt, StoryStep } from '../../../src/simulation/story.js';

/** Invented receiving dock of the fault suite: four handhelds that measure and sync side by side. */
const SERIALS = ['NQ-R-0001', 'NQ-R-0002', 'NQ-R-0003', 'NQ-R-0004'] as const;
const AREAS = ['east-dock', 'east-dock', 'west-dock', 'west-dock'] as const;
/** Nobody is at both docks at once. */
const OPERATORS = ['op-11', 'op-11', 'op-13', 'op-13'] as const;
const DRUMS = 6;
/** Bundles an instrument sends while the others send theirs. */
const DRUMS_A_SYNC = 2;

/** One story an instrument; the second and the fourth meet a drum that holds another material. */
export function dockStories(): Story[] {
  return SERIALS.map((serial, i) => {
    const receipt = receiptFor(i);
    const steps: StoryStep[] = [{ do: 'check', serial }];
    receipt.drums.forEach((drum, n) => {
      steps.push({ do: 'measure', serial, drum: drum.label, operator: OPERATORS[i] ?? 'op-11' });
      if ((n + 1) % DRUMS_A_SYNC === 0) steps.push({ do: 'sync', serial, how: 'once' });
    });
    return { receipts: [receipt], steps, discrepancies: [] };
  });
}

/** After everybody measured: each instrument is heard again, past the measurement that completed coverage. */
export function closingStory(): Story {
  return {
    receipts: [],
    steps: [
      { do: 'wait-margin' },
      ...SERIALS.map((serial): StoryStep => ({ do: 'check', serial })),
      ...SERIALS.map((serial): StoryStep => ({ do: 'sync', serial, how: 'once' })),
    ],
    discrepancies: [],
  };
}

function receiptFor(i: number): StoryReceipt {
  const isGood = i % 2 === 0;
  const n = 8800 + i;
  return {
    id: `nq-${n}-1`,
    scanText: `NQ${n}/1`,
    material: 'NQ-1001',
    manufacturer: 'Birchwater Chemicals (simulated)',
    supplier: 'Birchwater Chemicals (simulated)',
    supplierLot: `BW-${n}`,
    siteLot: `NQL-${n}`,
    area: AREAS[i] ?? 'east-dock',
    drums: Array.from({ length: DRUMS }, (_, d) => ({
      label: `D${n}-0${d + 1}`,
      holds: !isGood && d === 2 ? 'naphthalene' : 'paracetamol',
    })),
    sampled: DRUMS,
    expected: isGood ? 'conforms' : 'does-not-conform',
    expectsStop: false,
    because: isGood ? 'every drum holds what it should' : 'one drum holds another material',
  };
}
