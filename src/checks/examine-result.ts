import { canonicalDigest, type Sha256 } from '../formats/canonical-json.js';
import { parseTimestamp } from '../formats/instant.js';
import type { BundleResult } from '../intake/result-bundle.js';
import type { Method } from '../site/site-folder.js';
import type { ExaminedResult } from './examination.js';
import { readResult } from './read-bundle.js';
import type { SpectrumReading } from './read-spectrum.js';
import { recheckResult } from './recheck-result.js';
import { applyRule, type BundleCase } from './rule.js';
import { RESULT_RULES } from './rule-list.js';
import { limitsOf, type ResultLimits, type Signal, signalOf } from './signal.js';
import { findMethod, referencesFor, type SiteIndex } from './site-index.js';

/** A result with its spectrum as it was read and looked at, once. */
export interface Measured {
  readonly result: BundleResult;
  readonly spectrum: SpectrumReading;
  readonly method: Method | null;
  readonly limits: ResultLimits | null;
  readonly signal: Signal | null;
}

export function measuredOf(
  result: BundleResult,
  spectrum: SpectrumReading,
  site: SiteIndex,
  serial: string,
): Measured {
  const method = findMethod(site, result.method.id, result.method.version);
  const model = site.instruments.get(serial)?.model ?? null;
  const limits = limitsOf(site.folder.signal, model, result);
  const signal = spectrum.kind === 'read' ? signalOf(spectrum.values, limits, method) : null;
  return { result, spectrum, method, limits, signal };
}

/** Recomputes the score from the spectrum as it was read and applies every result rule. */
export function examineResult(
  bundle: BundleCase,
  measured: Measured,
  index: number,
  sha256: Sha256,
): ExaminedResult {
  const { result, method, spectrum } = measured;
  const pointer = `/results/${index}`;
  const trace = bundle.traces.all[index];
  if (trace === undefined) throw new Error(`no trace was taken of ${pointer}`);
  const about = {
    ...measured,
    bundle,
    trace,
    measuredAt: parseTimestamp(result.measuredAt),
    recheck: recheckResult(
      result,
      method,
      spectrum,
      referencesFor(bundle.site, bundle.instrument?.model ?? null),
    ),
  };
  const { answer, score, reason } = about.recheck;
  return {
    pointer,
    reading: readResult(result),
    sha256,
    findings: RESULT_RULES.flatMap((rule) => applyRule(rule, about, pointer)),
    recheck: { answer, score, reason },
    spectrum: spectrum.kind === 'read' ? spectrum.summary : null,
    intensitySha256: spectrum.kind === 'read' ? spectrum.intensitySha256 : null,
    values: spectrum.kind === 'read' ? spectrum.values : null,
    pattern: measured.signal?.pattern ?? null,
    result,
  };
}

/** A result in a document without the shape of a bundle: its columns as far as they can be read. */
export function outlineResult(
  element: unknown,
  pointer: string,
  sha256: Sha256 | null,
): ExaminedResult {
  return {
    pointer,
    reading: readResult(element),
    sha256: sha256 ?? canonicalDigest(element),
    findings: [],
    recheck: {
      answer: 'not-recomputable',
      score: null,
      reason: 'the bundle does not have the shape of one',
    },
    spectrum: null,
    intensitySha256: null,
    values: null,
    pattern: null,
    result: null,
  };
}
