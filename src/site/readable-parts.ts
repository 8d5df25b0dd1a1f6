import type { KnownIds } from './known-ids.js';
import type { DocumentPath } from './site-fault.js';
import type { SiteFile } from './site-file.js';

/**
 * What of a `site.yaml` can still be checked although parts broke its schema: sections and list entries
 * that hold a fault are left out, so that one report names every fault at once.
 */
export function readableParts(value: unknown, broken: readonly DocumentPath[]): Partial<SiteFile> {
  if (!isRecord(value)) return {};
  const parts: Record<string, unknown> = Object.create(null) as Record<string, unknown>;
  for (const [section, content] of Object.entries(value)) {
    const inside = broken.filter((path) => path[0] === section);
    if (inside.length === 0) parts[section] = content;
    else if (Array.isArray(content) && inside.every((path) => path.length > 1)) {
      const skip = new Set(inside.map((path) => Number(path[1])));
      parts[section] = content.filter((_entry, index) => !skip.has(index));
    }
  }
  // Every part that broke the schema is gone; what is left has the shape the schema fixes.
  return parts as Partial<SiteFile>;
}

/** Positions that `readableParts` moved: index among the readable entries to index in the file. */
export function originalIndexes(
  value: unknown,
  broken: readonly DocumentPath[],
): (path: DocumentPath) => DocumentPath {
  return (path) => {
    const [section, index, ...rest] = path;
    if (typeof index !== 'number' || !isRecord(value) || section === undefined) return path;
    const content = value[section];
    if (!Array.isArray(content)) return path;
    const skip = new Set(broken.filter((p) => p[0] === section).map((p) => Number(p[1])));
    const kept = [...content.keys()].filter((i) => !skip.has(i));
    return [section, kept[index] ?? index, ...rest];
  };
}

/** Every id written anywhere, in entries that broke the schema too. */
export function knownIds(value: unknown): KnownIds {
  const decisions = entries(value, 'decisions').flatMap((entry): [string, string | null][] => {
    const { id, rule } = entry;
    return typeof id === 'string' ? [[id, typeof rule === 'string' ? rule : null]] : [];
  });
  return {
    areas: new Set(entries(value, 'areas').map((entry) => String(entry['id']))),
    materials: new Set(entries(value, 'materials').map((entry) => String(entry['code']))),
    decisions: new Map(decisions),
  };
}

function entries(value: unknown, section: string): Record<string, unknown>[] {
  const content = isRecord(value) ? value[section] : undefined;
  return Array.isArray(content) ? content.filter(isRecord) : [];
}

function isRecord(value: unknown): value is Record<string, unknown> {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}
