// True and false passes and fails of declared methods on the measured open spectra.
import { spectralScore } from '../dist/checks/spectral-score.js';
import { KINDS, loadSpectra, methodFor, pairsOf, spectraFolder } from './open-spectra.mjs';

const DERIVATIVE = { points: 15, polynomialOrder: 2, order: 1 };
const treatment = (over) => ({
  interpolation: 'linear',
  baseline: null,
  normalisation: 'none',
  shiftAllowance: '0',
  ...over,
});
/** As declared: the first two are those of the README of the data, with its limits. */
export const METHODS = [
  { name: 'slope', threshold: '0.90', derivative: DERIVATIVE },
  {
    name: 'slope-shift-3',
    threshold: '0.80',
    derivative: DERIVATIVE,
    treatment: treatment({ shiftAllowance: '3' }),
  },
  {
    name: 'baseline-shift-3',
    threshold: '0.90',
    derivative: null,
    treatment: treatment({
      baseline: {
        kind: 'asymmetric-least-squares',
        smoothness: '100000',
        asymmetry: '0.01',
        iterations: 10,
      },
      shiftAllowance: '3',
    }),
  },
];

/** What each method is for: replicates that it should pass. All different substances are to fail. */
const TO_PASS = {
  slope: [KINDS[0]],
  'slope-shift-3': [KINDS[0], KINDS[1]],
  'baseline-shift-3': [KINDS[0], KINDS[1]],
};
const TO_FAIL = [KINDS[4], KINDS[5]];

export const CONFUSION_ROWS = METHODS.flatMap(({ name }) => [
  { name: `confusion-true-pass-${name}`, method: name, kinds: TO_PASS[name], says: true },
  { name: `confusion-true-fail-${name}`, method: name, kinds: TO_FAIL, says: false },
]);

/** Counts of a method by kind of pair: how many there are and pass, and the range of their scores. */
export function confusionOf(declared, pairs) {
  const table = new Map(
    KINDS.map((kind) => [kind, { pairs: 0, passed: 0, lowest: 1, highest: 0 }]),
  );
  for (const { one, other, kind } of pairs) {
    const method = methodFor(one, other, declared);
    const scored = spectralScore(method, other.axis, other.intensity);
    if (scored.kind !== 'scored') throw new Error(`${one.file}, ${other.file}: ${scored.reason}`);
    const row = table.get(kind);
    row.pairs += 1;
    if (scored.score >= Number(declared.threshold)) row.passed += 1;
    row.lowest = Math.min(row.lowest, scored.score);
    row.highest = Math.max(row.highest, scored.score);
  }
  return table;
}

export function confusionRows(wanted, { say }) {
  const folder = spectraFolder();
  if (folder === null) {
    if (process.env.CI === 'true') throw new Error('SPECTRA_DIR is absent');
    say('not measured, for want of the spectra (SPECTRA_DIR): confusion');
    return [];
  }
  const pairs = pairsOf(loadSpectra(folder));
  const names = new Set(wanted.map(({ method }) => method));
  const found = new Map();
  for (const declared of METHODS.filter(({ name }) => names.has(name))) {
    const table = confusionOf(declared, pairs);
    found.set(declared.name, table);
    say(`\n${declared.name}, threshold ${declared.threshold}\n${markdownOf(table)}`);
  }
  return wanted.map(({ name, method, kinds, says }) => {
    const rows = kinds.map((kind) => found.get(method).get(kind));
    const all = rows.reduce((sum, row) => sum + row.pairs, 0);
    const passed = rows.reduce((sum, row) => sum + row.passed, 0);
    const value = says ? passed : all - passed;
    const ratio = Number((value / all).toPrecision(3));
    return { name, value, unit: 'pairs', ceiling: all, ratio, target: says ? null : 1, spread: 0 };
  });
}

function markdownOf(table) {
  const lines = [...table].map(
    ([kind, { pairs, passed, lowest, highest }]) =>
      `| ${kind} | ${pairs} | ${passed} | ${pairs - passed} | ${lowest.toFixed(2)} to ${highest.toFixed(2)} |`,
  );
  return [
    '| pair | pairs | pass | fail | score |',
    '| --- | --- | --- | --- | --- |',
    ...lines,
  ].join('\n');
}
