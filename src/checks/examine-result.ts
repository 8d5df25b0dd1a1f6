import { canonicalDigest, type Sha256 } from '../formats/canonical-json.js';
import { parseTimestamp } from '../formats/instant.js';
import type { BundleResult } from '../intake/result-bundle.js';
import type { ExaminedResult } from './examination.js';
import { readResult } from './read-bundle.js';
import type { SpectrumReading } from './read-spectrum.js';
import { recheckResult } from './recheck-result.js';
import { applyRule, type BundleCase } from './rule.js';
import { RESULT_RULES } from './rule-list.js';
import { findMethod, referencesFor } from './site-index.js';

/** Recomputes the score from the spectrum as it was read and applies every result rule. */
export function examineResult(
  bundle: BundleCase,
  result: BundleResult,
  pointer: string,
  sha256: Sha256,
  spectrum: SpectrumReading,
): ExaminedResult {
  const method = findMethod(bundle.site, result.method.id, result.method.version);
  const about = {
    bundle,
    result,
    method,
    spectrum,
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
    values: spectrum.kind === 'read' ? spectrum.values : null,
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
    values: null,
    result: null,
  };
}
