import type { Caller } from './api-key.js';

/** Who a change made by this caller is recorded under in the trail. */
export function actorOf(caller: Caller): { readonly kind: 'cli' | 'key'; readonly name: string } {
  return { kind: caller.kind === 'cli' ? 'cli' : 'key', name: caller.id };
}
