import type { InboundChange } from '../site/inbound-document.js';

/** What a field of an inbound mapping may fill in, and what it may be filled in with. */
export interface InboundTarget {
  readonly required: boolean;
  /** Names a thing: sent on exactly as it stands, from a path or from joined paths (release-safety rule 24). */
  readonly identifier: boolean;
  readonly list: boolean;
  /** Something a person or a count says, that the mapping must not make up. */
  readonly source: 'path' | 'path-or-expression' | 'any';
  readonly isInstant: boolean;
}

function target(changes: Partial<InboundTarget> = {}): InboundTarget {
  return {
    required: false,
    identifier: false,
    list: false,
    source: 'path-or-expression',
    isInstant: false,
    ...changes,
  };
}

const NAME = { identifier: true, source: 'path' } as const;
const OPTIONAL_ID = target(NAME);
const REQUIRED_ID = target({ ...NAME, required: true });
const REQUIRED_LIST = target({ ...NAME, required: true, list: true });
const INSTANT = target({ isInstant: true });
const WORD = target({ source: 'any' });
const REASON = target({ source: 'any', required: true });
const COUNT = target({ source: 'path' });

type Targets = Readonly<Record<string, InboundTarget>>;

const OF_EVERY: Targets = { receiptId: REQUIRED_ID, sequence: COUNT };

export const INBOUND_TARGETS: Readonly<Record<InboundChange, Targets>> = {
  announce: {
    ...OF_EVERY,
    receiptNumber: OPTIONAL_ID,
    line: OPTIONAL_ID,
    material: REQUIRED_ID,
    manufacturer: WORD,
    supplier: WORD,
    supplierLot: OPTIONAL_ID,
    siteLot: OPTIONAL_ID,
    quantity: target(),
    area: WORD,
    receivedAt: INSTANT,
    // A count that the mapping works out would agree with the list whatever stands at the dock.
    dockCount: COUNT,
    countedBy: COUNT,
    retestAt: INSTANT,
    scanText: OPTIONAL_ID,
    containers: REQUIRED_LIST,
    comesFrom: OPTIONAL_ID,
    comesAs: WORD,
  },
  cancel: { ...OF_EVERY, reason: REASON },
  relabel: {
    ...OF_EVERY,
    from: REQUIRED_ID,
    to: REQUIRED_ID,
    witness: target({ source: 'path', required: true }),
    reason: REASON,
  },
  split: { ...OF_EVERY, reason: REASON },
  merge: {
    ...OF_EVERY,
    parts: REQUIRED_LIST,
    scanText: OPTIONAL_ID,
    quantity: target(),
    reason: REASON,
  },
};

/** Of one part of a split. */
export const PART_TARGETS: Targets = {
  receiptId: REQUIRED_ID,
  scanText: OPTIONAL_ID,
  containers: REQUIRED_LIST,
  quantity: target(),
};
