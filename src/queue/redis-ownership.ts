import type { Redis } from 'ioredis';
import type { RedisFault } from './redis-fitness.js';
import { keysOf, ownerKey } from './redis-keys.js';
import type { Bell } from './work-queue.js';

/** A process that lives signs again within its round; nobody has when this is over. */
const SIGNED_WITHIN_MS = 3_500;
const LOOK_EVERY_MS = 250;

export interface Owner {
  readonly site: string;
  /** Id of the database instance; all processes on one database share it, and nobody else has it. */
  readonly instance: string;
  readonly bells: readonly Bell[];
}

export type Claimed =
  | { readonly kind: 'ours' }
  /** The signature was gone and is there again: the keys were deleted, by a flush or an empty restart. */
  | { readonly kind: 'signed' }
  | { readonly kind: 'foreign'; readonly fault: RedisFault };

/**
 * Makes sure that the keys under the site's prefix are of this database, and signs them. Keys that nobody
 * signed are somebody else's, unless this process has used them before (`isKnown`): then a flush took the
 * signature. A process that starts just after a flush waits for one that lives to sign again.
 */
export async function claimKeys(redis: Redis, owner: Owner, isKnown: boolean): Promise<Claimed> {
  const signature = await readSignature(redis, owner);
  if (signature === owner.instance) return { kind: 'ours' };
  if (signature !== null) return foreign(`${ownerKey(owner.site)} names ${signature}`);
  const found = isKnown ? null : await firstKeyOf(redis, owner);
  if (found !== null && (await signatureComes(redis, owner)) !== owner.instance) {
    return foreign(`${found}, without the signature ${ownerKey(owner.site)}`);
  }
  await redis.set(ownerKey(owner.site), owner.instance, 'NX');
  const signed = await readSignature(redis, owner);
  if (signed === owner.instance) return { kind: 'signed' };
  return foreign(`${ownerKey(owner.site)} names ${signed ?? 'nobody'}`);
}

async function readSignature(redis: Redis, owner: Owner): Promise<string | null> {
  try {
    return await redis.get(ownerKey(owner.site));
  } catch (error) {
    if (error instanceof Error && error.message.startsWith('WRONGTYPE')) return 'something else';
    throw error;
  }
}

async function firstKeyOf(redis: Redis, owner: Owner): Promise<string | null> {
  const keys = keysOf(owner.site, owner.bells);
  if ((await redis.exists(...keys)) === 0) return null;
  for (const key of keys) if ((await redis.exists(key)) > 0) return key;
  return null;
}

async function signatureComes(redis: Redis, owner: Owner): Promise<string | null> {
  const end = performance.now() + SIGNED_WITHIN_MS;
  let signature: string | null = null;
  while (signature === null && performance.now() < end) {
    await new Promise((resolve) => setTimeout(resolve, LOOK_EVERY_MS));
    signature = await readSignature(redis, owner);
  }
  return signature;
}

function foreign(found: string): Claimed {
  return { kind: 'foreign', fault: { code: 'redis-foreign-keys', found } };
}
