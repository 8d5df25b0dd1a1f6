import type { ErrorCode } from '../error-registry.js';

/** BullMQ's own recommended minimum; streams and scripts it uses are complete from there on. */
const VERSION_MIN = [6, 2] as const;

export interface RedisFault {
  readonly code: ErrorCode;
  readonly found: string;
}

/**
 * Judges a server by what `INFO` says of it; null when it can carry the queue. What it does not say counts
 * as unfit: a policy that is not known to keep keys may drop them.
 */
export function redisFault(info: string): RedisFault | null {
  const fields = infoFields(info);
  const version = fields.get('redis_version');
  if (version === undefined || isOlder(version)) {
    return { code: 'redis-too-old', found: `version ${version ?? 'not stated'}` };
  }
  const policy = fields.get('maxmemory_policy');
  if (policy !== 'noeviction') {
    return { code: 'redis-evicts', found: `maxmemory-policy ${policy ?? 'not stated'}` };
  }
  if (fields.get('cluster_enabled') === '1') {
    return { code: 'redis-unsuitable', found: 'a node of a cluster' };
  }
  const role = fields.get('role');
  if (role !== undefined && role !== 'master') {
    return { code: 'redis-unsuitable', found: `a server in the role ${role}` };
  }
  return null;
}

function isOlder(version: string): boolean {
  const [major = Number.NaN, minor = 0] = version.split('.').map(Number);
  const [majorMin, minorMin] = VERSION_MIN;
  return !(major > majorMin || (major === majorMin && minor >= minorMin));
}

function infoFields(info: string): ReadonlyMap<string, string> {
  const fields = new Map<string, string>();
  for (const line of info.split(/\r?\n/)) {
    const colon = line.indexOf(':');
    if (colon > 0 && !line.startsWith('#')) fields.set(line.slice(0, colon), line.slice(colon + 1));
  }
  return fields;
}
