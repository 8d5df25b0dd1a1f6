import type {
  BundleHistoryRule,
  BundleRule,
  EarlierRule,
  ResultHistoryRule,
  ResultRule,
  RuleInfo,
} from './rule.js';
import { acquisitionImpossible } from './rules/acquisition-impossible.js';
import { ambientLight } from './rules/ambient-light.js';
import { bundleConflict } from './rules/bundle-conflict.js';
import { bundleTimeUnreadable } from './rules/bundle-time-unreadable.js';
import { cadenceImpossible } from './rules/cadence-impossible.js';
import { candidateWithoutReference } from './rules/candidate-without-reference.js';
import { candidatesOrder } from './rules/candidates-order.js';
import { chainBroken } from './rules/chain-broken.js';
import { clockSkew } from './rules/clock-skew.js';
import { cosmicSpikes } from './rules/cosmic-spikes.js';
import { decisionMode } from './rules/decision-mode.js';
import { decisionScore } from './rules/decision-score.js';
import { environmentOther } from './rules/environment-other.js';
import { epochChanged } from './rules/epoch-changed.js';
import { exposureAtMaximum } from './rules/exposure-at-maximum.js';
import { fileArchive } from './rules/file-archive.js';
import { fileDamaged } from './rules/file-damaged.js';
import { fileDigest } from './rules/file-digest.js';
import { fileMissing } from './rules/file-missing.js';
import { fileShared } from './rules/file-shared.js';
import { fileUnnamed } from './rules/file-unnamed.js';
import { fluorescenceHigh } from './rules/fluorescence-high.js';
import { instrumentFirmware } from './rules/instrument-firmware.js';
import { instrumentLaser } from './rules/instrument-laser.js';
import { instrumentModel } from './rules/instrument-model.js';
import { instrumentNotInService } from './rules/instrument-not-in-service.js';
import { instrumentOutOfService } from './rules/instrument-out-of-service.js';
import { instrumentUnregistered } from './rules/instrument-unregistered.js';
import { labelMissing } from './rules/label-missing.js';
import { labelNotScanned } from './rules/label-not-scanned.js';
import { laserPower } from './rules/laser-power.js';
import { manifestCounts } from './rules/manifest-counts.js';
import { manifestParts } from './rules/manifest-parts.js';
import { matchWithoutCandidate } from './rules/match-without-candidate.js';
import { materialOther } from './rules/material-other.js';
import { materialUnknown } from './rules/material-unknown.js';
import { methodContent } from './rules/method-content.js';
import { methodInvalidated } from './rules/method-invalidated.js';
import { methodListedTwice } from './rules/method-listed-twice.js';
import { methodMode } from './rules/method-mode.js';
import { methodNotApproved } from './rules/method-not-approved.js';
import { methodNotInForce } from './rules/method-not-in-force.js';
import { methodOtherMaterial } from './rules/method-other-material.js';
import { methodUnknown } from './rules/method-unknown.js';
import { noiseDuplicate } from './rules/noise-duplicate.js';
import { noiseDuplicateEarlier } from './rules/noise-duplicate-earlier.js';
import { noiseDuplicateLater } from './rules/noise-duplicate-later.js';
import { operatorAtTwoPlaces } from './rules/operator-at-two-places.js';
import { operatorAtTwoPlacesLater } from './rules/operator-at-two-places-later.js';
import { operatorListedTwice } from './rules/operator-listed-twice.js';
import { operatorUndeclared } from './rules/operator-undeclared.js';
import { originNotCovering } from './rules/origin-not-covering.js';
import { packagingBands } from './rules/packaging-bands.js';
import { packagingMatch } from './rules/packaging-match.js';
import { packagingNotValidated } from './rules/packaging-not-validated.js';
import { partDigest } from './rules/part-digest.js';
import { passOtherCandidate } from './rules/pass-other-candidate.js';
import { performanceAction } from './rules/performance-action.js';
import { performanceCertificateExpired } from './rules/performance-certificate-expired.js';
import { performanceCheckFailed } from './rules/performance-check-failed.js';
import { performanceFailedTwice } from './rules/performance-failed-twice.js';
import { performanceNotConfigured } from './rules/performance-not-configured.js';
import { performanceOutOfTolerance } from './rules/performance-out-of-tolerance.js';
import { performanceOutcomeDisagrees } from './rules/performance-outcome-disagrees.js';
import { performancePeakDouble } from './rules/performance-peak-double.js';
import { performancePeakMissing } from './rules/performance-peak-missing.js';
import { performancePeakUnknown } from './rules/performance-peak-unknown.js';
import { performanceRun } from './rules/performance-run.js';
import { performanceSpectrumDisagrees } from './rules/performance-spectrum-disagrees.js';
import { performanceSpectrumUnreadable } from './rules/performance-spectrum-unreadable.js';
import { performanceStandardUnknown } from './rules/performance-standard-unknown.js';
import { performanceTimeUnreadable } from './rules/performance-time-unreadable.js';
import { performanceWarning } from './rules/performance-warning.js';
import { probeCoverMissing } from './rules/probe-cover-missing.js';
import { probeCoverReused } from './rules/probe-cover-reused.js';
import { probeCoverReusedLater } from './rules/probe-cover-reused-later.js';
import { probeCoverShared } from './rules/probe-cover-shared.js';
import { rankingBelowThreshold } from './rules/ranking-below-threshold.js';
import { rankingNearTie } from './rules/ranking-near-tie.js';
import { rankingNotRecomputable } from './rules/ranking-not-recomputable.js';
import { rankingWinner } from './rules/ranking-winner.js';
import { receiptNotAnnounced } from './rules/receipt-not-announced.js';
import { recheckAxis } from './rules/recheck-axis.js';
import { recheckDisagrees } from './rules/recheck-disagrees.js';
import { recheckMargin } from './rules/recheck-margin.js';
import { recheckNoTrace } from './rules/recheck-no-trace.js';
import { recheckNotPossible } from './rules/recheck-not-possible.js';
import { recheckOtherMaterial } from './rules/recheck-other-material.js';
import { recheckPeaks } from './rules/recheck-peaks.js';
import { recheckResidual } from './rules/recheck-residual.js';
import { recheckUndisclosed } from './rules/recheck-undisclosed.js';
import { refusals } from './rules/refusals.js';
import { seriesRules } from './rules/remeasured.js';
import { resultConflict } from './rules/result-conflict.js';
import { resultDouble } from './rules/result-double.js';
import { resultRepeated } from './rules/result-repeated.js';
import { resultRepeatsHeld } from './rules/result-repeats-held.js';
import { resultsLimit } from './rules/results-limit.js';
import { runDouble } from './rules/run-double.js';
import { runElsewhere } from './rules/run-elsewhere.js';
import { runGap } from './rules/run-gap.js';
import { runMissing } from './rules/run-missing.js';
import { runOrder } from './rules/run-order.js';
import { runOverlap } from './rules/run-overlap.js';
import { runRange } from './rules/run-range.js';
import { saturationNotCheckable } from './rules/saturation-not-checkable.js';
import { schema } from './rules/schema.js';
import { scoreAlgorithm } from './rules/score-algorithm.js';
import { scoreMissing } from './rules/score-missing.js';
import { signalRegion } from './rules/signal-region.js';
import { signalSaturated } from './rules/signal-saturated.js';
import { signalToNoise } from './rules/signal-to-noise.js';
import { signalWeak } from './rules/signal-weak.js';
import { siteOther } from './rules/site-other.js';
import { spectrumAxis } from './rules/spectrum-axis.js';
import { spectrumConstant } from './rules/spectrum-constant.js';
import { spectrumDuplicate } from './rules/spectrum-duplicate.js';
import { spectrumDuplicateEarlier } from './rules/spectrum-duplicate-earlier.js';
import { spectrumDuplicateLater } from './rules/spectrum-duplicate-later.js';
import { spectrumEncoding } from './rules/spectrum-encoding.js';
import { spectrumFile } from './rules/spectrum-file.js';
import { spectrumIsReference } from './rules/spectrum-is-reference.js';
import { spectrumLength } from './rules/spectrum-length.js';
import { spectrumPoints } from './rules/spectrum-points.js';
import { spectrumRange } from './rules/spectrum-range.js';
import { spectrumValues } from './rules/spectrum-values.js';
import { supersessionClaimed } from './rules/supersession-claimed.js';
import { syncClockFuture } from './rules/sync-clock-future.js';
import { thresholdOther } from './rules/threshold-other.js';
import { timeAgainstRuns } from './rules/time-against-runs.js';
import { timeAssumed } from './rules/time-assumed.js';
import { timeBeforeReceipt } from './rules/time-before-receipt.js';
import { timeFuture } from './rules/time-future.js';
import { timeOffset } from './rules/time-offset.js';
import { timeRunsBackwards } from './rules/time-runs-backwards.js';
import { timeUnreadable } from './rules/time-unreadable.js';
import { timeZoneOther } from './rules/time-zone-other.js';
import { timeZoneUnknown } from './rules/time-zone-unknown.js';

/** Rules about a bundle as a whole, in the order their findings are listed. */
export const BUNDLE_RULES: readonly BundleRule[] = [
  manifestCounts,
  manifestParts,
  partDigest,
  fileMissing,
  fileUnnamed,
  fileShared,
  fileDamaged,
  fileDigest,
  fileArchive,
  siteOther,
  environmentOther,
  originNotCovering,
  instrumentUnregistered,
  instrumentModel,
  instrumentLaser,
  instrumentFirmware,
  instrumentOutOfService,
  timeZoneUnknown,
  timeZoneOther,
  bundleTimeUnreadable,
  syncClockFuture,
  clockSkew,
  runRange,
  runMissing,
  runOrder,
  timeRunsBackwards,
  performanceCheckFailed,
  cadenceImpossible,
  performanceTimeUnreadable,
  performanceNotConfigured,
  performanceStandardUnknown,
  performanceCertificateExpired,
  performancePeakDouble,
  performancePeakMissing,
  performancePeakUnknown,
  performanceOutOfTolerance,
  performanceSpectrumUnreadable,
  performanceSpectrumDisagrees,
  performanceOutcomeDisagrees,
  performanceAction,
  performanceWarning,
];

export const RESULT_RULES: readonly ResultRule[] = [
  resultDouble,
  runDouble,
  labelMissing,
  labelNotScanned,
  materialUnknown,
  instrumentNotInService,
  methodUnknown,
  methodListedTwice,
  methodContent,
  methodInvalidated,
  methodNotInForce,
  methodMode,
  methodOtherMaterial,
  operatorUndeclared,
  operatorListedTwice,
  decisionMode,
  scoreMissing,
  scoreAlgorithm,
  thresholdOther,
  decisionScore,
  matchWithoutCandidate,
  candidatesOrder,
  passOtherCandidate,
  acquisitionImpossible,
  timeUnreadable,
  timeFuture,
  timeOffset,
  timeAssumed,
  supersessionClaimed,
  spectrumPoints,
  spectrumEncoding,
  spectrumLength,
  spectrumValues,
  spectrumAxis,
  spectrumFile,
  spectrumRange,
  spectrumConstant,
  spectrumIsReference,
  recheckDisagrees,
  recheckAxis,
  recheckOtherMaterial,
  recheckPeaks,
  recheckResidual,
  recheckMargin,
  rankingWinner,
  rankingNearTie,
  rankingBelowThreshold,
  rankingNotRecomputable,
  candidateWithoutReference,
  recheckNotPossible,
  recheckNoTrace,
  recheckUndisclosed,
  // Signal quality (docs/signal.md).
  signalSaturated,
  saturationNotCheckable,
  signalRegion,
  signalWeak,
  signalToNoise,
  cosmicSpikes,
  fluorescenceHigh,
  packagingMatch,
  packagingBands,
  spectrumDuplicate,
  noiseDuplicate,
  // How it was measured (docs/signal.md).
  laserPower,
  packagingNotValidated,
  ambientLight,
  exposureAtMaximum,
  probeCoverMissing,
  probeCoverShared,
];

export const BUNDLE_HISTORY_RULES: readonly BundleHistoryRule[] = [
  bundleConflict,
  runElsewhere,
  runGap,
  chainBroken,
  epochChanged,
  timeAgainstRuns,
  performanceRun,
];

export const RESULT_HISTORY_RULES: readonly ResultHistoryRule[] = [
  resultConflict,
  resultRepeated,
  resultRepeatsHeld,
  runOverlap,
  receiptNotAnnounced,
  materialOther,
  methodNotApproved,
  timeBeforeReceipt,
  // Sense across a lot and a day (docs/signal.md).
  spectrumDuplicateEarlier,
  noiseDuplicateEarlier,
  probeCoverReused,
  operatorAtTwoPlaces,
];

/** Rules about results of earlier bundles, each paired with one of those before it. */
export const EARLIER_RULES: readonly EarlierRule[] = [
  spectrumDuplicateLater,
  noiseDuplicateLater,
  probeCoverReusedLater,
  operatorAtTwoPlacesLater,
];

/** Every rule there is, in the order of docs/checks.md. */
export function listRules(): readonly RuleInfo[] {
  return [
    ...refusals,
    schema,
    resultsLimit,
    ...[...BUNDLE_RULES, ...RESULT_RULES, ...BUNDLE_HISTORY_RULES, ...RESULT_HISTORY_RULES].map(
      (rule) => rule.info,
    ),
    ...EARLIER_RULES.map((rule) => rule.info),
    performanceFailedTwice,
    ...seriesRules,
  ];
}
