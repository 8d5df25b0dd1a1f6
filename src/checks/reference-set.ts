import type { Method, ReferenceSpectrum } from '../site/site-folder.js';
import { type Sample, scoreAgainst } from './spectral-score.js';

/** One curve of the site's reference set. */
export interface SetReference {
  readonly material: string;
  /** The file or method it belongs to, for messages. */
  readonly name: string;
  readonly spectrum: ReferenceSpectrum;
}

/** The best score of a material among its references. */
export interface RankedMaterial {
  readonly material: string;
  readonly name: string;
  readonly score: number;
}

export interface Ranking {
  /** Best first; of equal scores the one that stands first in the site folder. */
  readonly ranked: readonly RankedMaterial[];
  /** References that could not be scored, with the reason. */
  readonly unscored: readonly { readonly reference: SetReference; readonly reason: string }[];
}

/**
 * Scores a treated spectrum against every reference of the set, by the treatment of one method: scores of two
 * treatments could not be compared.
 */
export function rankMaterials(sample: Sample, references: readonly SetReference[]): Ranking {
  const best = new Map<string, RankedMaterial>();
  const unscored: { reference: SetReference; reason: string }[] = [];
  for (const reference of references) {
    const scored = scoreAgainst(sample, reference.spectrum);
    if (scored.kind === 'no-score') {
      unscored.push({ reference, reason: scored.reason });
      continue;
    }
    const { material, name } = reference;
    const known = best.get(material);
    if (known === undefined || scored.score > known.score) {
      best.set(material, { material, name, score: scored.score });
    }
  }
  return { ranked: [...best.values()].sort((a, b) => b.score - a.score), unscored };
}

/** References of materials other than the method's. */
export function referencesOfOthers(
  method: Method,
  references: readonly SetReference[],
): readonly SetReference[] {
  return references.filter(({ material }) => material !== method.material);
}
