import type { HeldList } from '../../src/site/mapping-document.js';

/** A list of held messages as a mapping describes one, in JSON. */
export const LIST: HeldList = {
  request: { method: 'GET', path: 'held?from={from}&to={to}&after={cursor}' },
  items: '/entries',
  next: '/next',
  pageSize: 2,
  reference: '/ref',
  number: '/no',
  at: '/at',
  message: { held: '/kind', codes: { result: 'R', stop: 'S' } },
  receipt: '/receipt',
  result: '/result',
  period: '/period',
  revision: '/rev',
};
