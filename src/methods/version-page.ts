import { Problem } from '../problem-details.js';
import type { MethodSummary } from './method-view.js';

const LIMIT_MAX = 200;

export interface VersionPageRequest {
  readonly limit: number;
  /** Id and version that the page before ended with. */
  readonly after: readonly [id: string, version: string] | null;
}

/**
 * @throws Problem `query-invalid` that names the parameter.
 */
export function readVersionPage(
  limit: string | undefined,
  after: string | undefined,
): VersionPageRequest {
  const count = limit === undefined ? LIMIT_MAX : Number(limit);
  if (!Number.isInteger(count) || count < 1 || count > LIMIT_MAX) {
    throw new Problem('query-invalid', `limit: expected 1 to ${LIMIT_MAX}`);
  }
  if (after === undefined) return { limit: count, after: null };
  const [id, version, ...rest] = decoded(after);
  if (id === undefined || version === undefined || rest.length > 0) {
    throw new Problem('query-invalid', 'after: expected the `next` of the page before');
  }
  return { limit: count, after: [id, version] };
}

/** One page of versions in the order they are listed; `next` is null on the last. */
export function versionPage(
  all: readonly MethodSummary[],
  { limit, after }: VersionPageRequest,
): { readonly methods: readonly MethodSummary[]; readonly next: string | null } {
  const last = after && all.findIndex((m) => m.id === after[0] && m.version === after[1]);
  const start = last === null ? 0 : last + 1;
  const methods = all.slice(start, start + limit);
  const end = methods.at(-1);
  const isLast = end === undefined || start + limit >= all.length;
  return {
    methods,
    next: isLast ? null : Buffer.from(JSON.stringify([end.id, end.version])).toString('base64url'),
  };
}

function decoded(cursor: string): readonly string[] {
  try {
    const value: unknown = JSON.parse(Buffer.from(cursor, 'base64url').toString('utf8'));
    return Array.isArray(value) && value.every((part) => typeof part === 'string') ? value : [];
  } catch {
    // Whatever is no JSON is no cursor of ours.
    return [];
  }
}
