import type { BundleRule, Found } from '../rule.js';

export const manifestParts: BundleRule = {
  info: {
    code: 'manifest-parts',
    severity: 'hold',
    scope: 'bundle',
    needs: 'document',
    meaning: 'The manifest does not list exactly the elements the bundle holds, each once.',
    advice: 'Something was lost or added on the way: fetch the bundle from the instrument again.',
  },
  find: ({ document, parts }) => {
    const found: Found[] = [];
    const listed = new Set<string>();
    const held = new Set(parts.map((part) => part.pointer));
    document.manifest.parts.forEach(({ pointer }, index) => {
      const at = `/manifest/parts/${index}/pointer`;
      if (listed.has(pointer)) found.push({ pointer: at, message: `${pointer} is listed twice` });
      else if (!held.has(pointer)) {
        found.push({ pointer: at, message: `${pointer} is listed and not in the bundle` });
      }
      listed.add(pointer);
    });
    for (const { pointer } of parts) {
      if (!listed.has(pointer)) found.push({ pointer, message: 'the manifest does not list it' });
    }
    return found;
  },
};
