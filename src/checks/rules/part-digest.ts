import type { BundleRule } from '../rule.js';

export const partDigest: BundleRule = {
  info: {
    code: 'part-digest',
    severity: 'hold',
    scope: 'bundle',
    needs: 'document',
    meaning: 'An element of the bundle is not the one the manifest was made of.',
    advice:
      'Its content changed after the manifest was written: fetch the bundle from the instrument again, and find out what changed it.',
  },
  find: ({ document, parts }) => {
    const stated = new Map(document.manifest.parts.map((part) => [part.pointer, part.sha256]));
    return parts.flatMap(({ pointer, sha256 }) => {
      const expected = stated.get(pointer);
      if (expected === undefined || expected === sha256) return [];
      const message = `the manifest states SHA-256 ${expected}, the content has ${sha256}`;
      return [{ pointer, message }];
    });
  },
};
