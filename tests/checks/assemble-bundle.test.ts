import { describe, expect, it } from 'vitest';
import { assembleBundle, encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { sha256 } from '../../src/formats/canonical-json.js';
import { methodContentDigest } from '../../src/site/method-content.js';
import { goodParts, goodResult, methodOf, validateSchema } from './fixture.js';

describe('assembling a bundle', () => {
  it('gives the same bytes for the same parts, in whatever order their keys stand', () => {
    const parts = goodParts([goodResult(1), goodResult(2)]);
    const reordered = Object.fromEntries(Object.entries(parts).reverse()) as typeof parts;
    expect(assembleBundle(reordered).bytes).toEqual(assembleBundle(parts).bytes);
    const { bytes, sha256: digest, document } = assembleBundle(parts);
    expect(digest).toBe(sha256(bytes));
    expect(validateSchema(document)).toEqual([]);
    expect(document.manifest.parts.map((part) => part.pointer)).toEqual([
      '/results/0',
      '/results/1',
    ]);
  });

  it('refuses an axis and an intensity of different lengths', () => {
    expect(() => encodeSpectrum([1, 2], [1], 'float32')).toThrow('axis has 2 values, intensity 1');
  });
});

describe("the digest of a method's content", () => {
  const method = methodOf('ID-M-1');
  const content = { ...method, referenceSha256: 'a'.repeat(64) };

  it('is the same whatever the method is called, and whoever approved it', () => {
    const renamed = { ...content, id: 'OTHER', title: 'Other', version: '7', approvals: [] };
    expect(methodContentDigest(renamed)).toBe(methodContentDigest(content));
  });

  it.each([
    ['threshold', { threshold: '0.9' }],
    ['range', { range: { from: '250', to: '1799' } }],
    ['grid', { gridStep: '2' }],
    ['derivative', { derivative: null }],
    ['algorithm', { algorithm: 'undisclosed' }],
    ['reference', { referenceSha256: 'b'.repeat(64) }],
    ['no reference', { referenceSha256: null }],
  ])('differs with another %s', (_name, over) => {
    expect(methodContentDigest({ ...content, ...over } as never)).not.toBe(
      methodContentDigest(content),
    );
  });
});
