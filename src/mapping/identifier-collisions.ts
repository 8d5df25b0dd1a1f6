import type { MessageMapping, Path } from '../site/mapping-document.js';
import { leafTexts, type PayloadTree } from './payload-tree.js';

/** Identifiers that differ, and that a careless reader would take for one another. */
export interface IdentifierCollision {
  readonly field: Path;
  readonly values: readonly string[];
  /** What would make them equal. */
  readonly under: string;
}

const FOLDS: readonly { readonly under: string; readonly fold: (text: string) => string }[] = [
  { under: 'case', fold: (text) => text.toUpperCase().toLowerCase() },
  { under: 'blanks', fold: (text) => text.replace(/\s+/gu, '') },
  { under: 'leading zeros', fold: (text) => text.replace(/(^|[^\p{L}\p{N}])0+(?=\p{N})/gu, '$1') },
  { under: 'Unicode form', fold: (text) => text.normalize('NFKC') },
  { under: 'punctuation', fold: (text) => text.replace(/[^\p{L}\p{N}]+/gu, '') },
];

/** Collisions among the identifier fields of several payloads of one message (release-safety rule 24). */
export function identifierCollisions(
  mapping: MessageMapping,
  trees: readonly PayloadTree[],
): IdentifierCollision[] {
  const fields = mapping.fields.filter((field) => field.identifier).map((field) => field.to);
  return fields.flatMap((field) => {
    const values = [...new Set(trees.flatMap((tree) => leafTexts(tree, field)))].sort();
    return FOLDS.flatMap(({ under, fold }) =>
      colliding(values, fold).map((v) => ({ field, values: v, under })),
    );
  });
}

function colliding(values: readonly string[], fold: (text: string) => string): string[][] {
  const groups = new Map<string, string[]>();
  for (const value of values) {
    const key = fold(value);
    groups.set(key, [...(groups.get(key) ?? []), value]);
  }
  return [...groups.values()].filter((group) => group.length > 1);
}
