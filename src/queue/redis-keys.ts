import { QueueKeys } from 'bullmq';
import type { Bell } from './work-queue.js';

/** Every key of the queue starts with this; a colon follows. Nothing else in Redis is touched. */
export function keyPrefix(site: string): string {
  return `drumline:${site}`;
}

/** Says whose the keys under the prefix are: the id of the database instance. */
export function ownerKey(site: string): string {
  return `${keyPrefix(site)}:owner`;
}

/** BullMQ allows no colon in the name of a queue; no name of a destination holds a dot. */
export function queueName(bell: Bell): string {
  return bell.replace(':', '.');
}

/** The fixed keys that BullMQ uses for these bells. */
export function keysOf(site: string, bells: readonly Bell[]): readonly string[] {
  const keys = new QueueKeys(keyPrefix(site));
  return bells.flatMap((bell) => Object.values(keys.getKeys(queueName(bell))));
}
