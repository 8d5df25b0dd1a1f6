import { canonicalDigest, type Sha256 } from '../formats/canonical-json.js';
import type { ManifestPart } from '../intake/result-bundle.js';

/** The arrays of a bundle whose elements the manifest lists one by one, in the order it lists them. */
export const PART_ARRAYS = ['results', 'performanceChecks', 'auditEvents'] as const;

type PartArrays = { readonly [K in (typeof PART_ARRAYS)[number]]?: unknown };

/** Pointer and SHA-256 (of the RFC 8785 form) of every element of the part arrays, from their content. */
export function contentParts(document: PartArrays): readonly ManifestPart[] {
  const parts: ManifestPart[] = [];
  for (const name of PART_ARRAYS) {
    const elements: unknown = document[name];
    if (!Array.isArray(elements)) continue;
    elements.forEach((element: unknown, index) => {
      parts.push({ pointer: `/${name}/${index}`, sha256: canonicalDigest(element) });
    });
  }
  return parts;
}

/**
 * Digest of a bundle's content, whatever its bytes look like: RFC 8785 over the document without its
 * arrays and manifest, beside the part digests recomputed from the content. Two bundles with the same
 * value say the same. The rest of the document is wrapped, so that a field of its own named `parts`
 * counts too.
 */
export function bundleContentDigest(
  document: Readonly<Record<string, unknown>>,
  parts: readonly ManifestPart[],
): Sha256 {
  const rest: Record<string, unknown> = Object.create(null);
  for (const [name, value] of Object.entries(document)) {
    if (name !== 'manifest' && !isPartArray(name, value)) rest[name] = value;
  }
  return canonicalDigest({ document: rest, parts });
}

function isPartArray(name: string, value: unknown): boolean {
  return (PART_ARRAYS as readonly string[]).includes(name) && Array.isArray(value);
}
