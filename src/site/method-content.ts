import { canonicalDigest, type Sha256 } from '../formats/canonical-json.js';
import type { IdentityTests, Treatment } from './method-treatment.js';
import type { Method } from './site-folder.js';

/** What makes two methods give the same score for the same spectrum, whatever they are called. */
export type MethodContent = Pick<
  Method,
  'algorithm' | 'threshold' | 'range' | 'gridStep' | 'derivative'
> & {
  /** SHA-256 of the reference file's bytes; null for a method without a reference. */
  readonly referenceSha256: string | null;
  readonly treatment?: Treatment | undefined;
  readonly asks?: IdentityTests | undefined;
};

/**
 * Digest of a method's content (release-safety rule 5): a bundle names the method it used by this digest,
 * and a method of the same name with another threshold, range, grid, derivative or reference does not
 * match. Decimals count as written: 0.90 and 0.9 are two contents, because a change of digits is a change
 * of the registered method. A treatment and further tests count where a method declares them; without them
 * the digest is that of a method from before they existed.
 */
export function methodContentDigest(content: MethodContent): Sha256 {
  return canonicalDigest({
    algorithm: content.algorithm,
    threshold: content.threshold,
    range: { from: content.range.from, to: content.range.to },
    gridStep: content.gridStep,
    derivative: content.derivative && {
      points: content.derivative.points,
      polynomialOrder: content.derivative.polynomialOrder,
      order: content.derivative.order,
    },
    referenceSha256: content.referenceSha256,
    ...(content.treatment === undefined ? {} : { treatment: content.treatment }),
    ...(content.asks === undefined ? {} : { asks: content.asks }),
  });
}
