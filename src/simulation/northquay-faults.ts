import type { MisbehaviourSchedule } from './misbehaviour.js';
import { drumLabel } from './northquay-day.js';

/**
 * How Northquay's stand-ins misbehave, declared by the ordinal of a request, so that every run meets each
 * kind of fault. Which message it hits depends on the order of arrival, and must not matter.
 */
export const LIMS_SCHEDULE: MisbehaviourSchedule = {
  byBody: [
    {
      // The one result that this LIMS does not want: a passing drum of a receipt that does not conform.
      holds: [drumLabel(4, 3), '"messageType":"result"'],
      act: {
        kind: 'reject',
        status: 422,
        words: 'container is on this system’s hold list (simulated)',
      },
    },
  ],
  byOrdinal: [
    { operation: 'store', ordinals: [4, 19], act: { kind: 'store-then-hang' } },
    { operation: 'store', ordinals: [11], act: { kind: 'hang' } },
    {
      operation: 'store',
      ordinals: [7, 8, 23],
      act: { kind: 'unavailable', retryAfterSeconds: 1 },
    },
    { operation: 'store', ordinals: [2, 14, 30], act: { kind: 'slow', ms: 400 } },
    { operation: 'ask', ordinals: [5], act: { kind: 'unavailable', retryAfterSeconds: 1 } },
  ],
};

export const ERP_SCHEDULE: MisbehaviourSchedule = {
  byBody: [],
  byOrdinal: [
    { operation: 'store', ordinals: [3, 26], act: { kind: 'store-then-hang' } },
    { operation: 'store', ordinals: [12], act: { kind: 'hang' } },
    { operation: 'store', ordinals: [6, 17], act: { kind: 'unavailable', retryAfterSeconds: 1 } },
    { operation: 'store', ordinals: [9, 21, 34], act: { kind: 'slow', ms: 400 } },
    { operation: 'ask', ordinals: [8], act: { kind: 'slow', ms: 400 } },
  ],
};
