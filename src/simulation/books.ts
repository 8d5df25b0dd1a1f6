/**
 * What a stand-in destination holds, as a fold over the events it lived through. The events are what the
 * journal file keeps, so a stand-in that starts again from its journal holds the same books.
 */
export type Usage = 'none' | 'released' | 'blocked';

/** Times are RFC 3339 UTC, by the stand-in's own clock. */
export type BookEvent =
  | {
      readonly event: 'stored';
      readonly at: string;
      readonly number: string;
      readonly reference: string;
      readonly messageType: string;
      /** Idempotency key it came with; null when none or not honoured. */
      readonly key: string | null;
      /** Body exactly as it arrived. */
      readonly content: string;
      /** Receipt whose state the message speaks of, and the revision it states; null for other messages. */
      readonly state: StateClaim | null;
    }
  | { readonly event: 'applied'; readonly at: string; readonly number: string }
  | {
      readonly event: 'kept';
      readonly at: string;
      readonly number: string;
      readonly reason: string;
    }
  | {
      readonly event: 'released';
      readonly at: string;
      /** When the statement that it rests on was asked for. */
      readonly askedAt: string;
      readonly receiptId: string;
      readonly revision: number;
      readonly containers: readonly string[];
    }
  | {
      readonly event: 'blocked';
      readonly at: string;
      readonly receiptId: string;
      readonly revision: number;
      readonly reason: string;
    }
  | {
      readonly event: 'issued';
      readonly at: string;
      /** When the statement that it rests on was asked for. */
      readonly askedAt: string;
      readonly receiptId: string;
      readonly revision: number;
      readonly containers: readonly string[];
    };

export interface StateClaim {
  readonly receiptId: string;
  readonly revision: number;
  readonly usageDecision: string;
}

export interface StoredMessage {
  readonly number: string;
  readonly reference: string;
  readonly messageType: string;
  readonly key: string | null;
  readonly content: string;
  readonly state: StateClaim | null;
  readonly arrivedAt: string;
  applied: boolean;
  appliedAt: string | null;
}

export interface ReceiptState {
  readonly receiptId: string;
  /** Revision of the message applied last; 0 before the first. */
  revision: number;
  usageDecision: string;
  usage: Usage;
  /** Highest revision of any message stored, applied or not. */
  highestSeen: number;
  releasedAt: string | null;
  releasedContainers: readonly string[];
  issuedContainers: readonly string[];
}

export interface Books {
  readonly messages: StoredMessage[];
  readonly receipts: Map<string, ReceiptState>;
  readonly releases: Extract<BookEvent, { event: 'released' }>[];
  readonly blocks: Extract<BookEvent, { event: 'blocked' }>[];
  readonly issues: Extract<BookEvent, { event: 'issued' }>[];
}

/** Books as `GET /books` shows them. */
export interface BooksDocument {
  readonly messages: readonly Readonly<StoredMessage>[];
  readonly receipts: readonly Readonly<ReceiptState>[];
  readonly releases: Books['releases'];
  readonly blocks: Books['blocks'];
  readonly issues: Books['issues'];
}

/** The one code of the stand-in ERP that lets it think of releasing. */
export const PERMITTING = 'USE-PERMITTED';

export function emptyBooks(): Books {
  return { messages: [], receipts: new Map(), releases: [], blocks: [], issues: [] };
}

export function booksDocument(books: Books): BooksDocument {
  return {
    messages: books.messages,
    receipts: [...books.receipts.values()],
    releases: books.releases,
    blocks: books.blocks,
    issues: books.issues,
  };
}

/** Adds one event to the books. Events of one stand-in are folded in the order they happened. */
export function fold(books: Books, event: BookEvent): void {
  switch (event.event) {
    case 'stored':
      foldStored(books, event);
      return;
    case 'applied':
      foldApplied(books, event.number, event.at);
      return;
    case 'kept':
      return;
    case 'released': {
      const state = receiptState(books, event.receiptId);
      state.usage = 'released';
      state.releasedAt = event.at;
      state.releasedContainers = event.containers;
      books.releases.push(event);
      return;
    }
    case 'blocked':
      receiptState(books, event.receiptId).usage = 'blocked';
      books.blocks.push(event);
      return;
    case 'issued': {
      const state = receiptState(books, event.receiptId);
      state.issuedContainers = [...state.issuedContainers, ...event.containers];
      books.issues.push(event);
      return;
    }
  }
}

function foldStored(books: Books, event: Extract<BookEvent, { event: 'stored' }>): void {
  const { number, reference, messageType, key, content, state, at } = event;
  books.messages.push({
    number,
    reference,
    messageType,
    key,
    content,
    state,
    arrivedAt: at,
    applied: false,
    appliedAt: null,
  });
  if (state === null) return;
  const held = receiptState(books, state.receiptId);
  held.highestSeen = Math.max(held.highestSeen, state.revision);
}

function foldApplied(books: Books, number: string, at: string): void {
  const message = books.messages.find((m) => m.number === number);
  if (message === undefined) return;
  message.applied = true;
  message.appliedAt = at;
  if (message.state === null) return;
  const held = receiptState(books, message.state.receiptId);
  held.revision = message.state.revision;
  held.usageDecision = message.state.usageDecision;
}

export function receiptState(books: Books, receiptId: string): ReceiptState {
  let state = books.receipts.get(receiptId);
  if (state === undefined) {
    state = {
      receiptId,
      revision: 0,
      usageDecision: '',
      usage: 'none',
      highestSeen: 0,
      releasedAt: null,
      releasedContainers: [],
      issuedContainers: [],
    };
    books.receipts.set(receiptId, state);
  }
  return state;
}
