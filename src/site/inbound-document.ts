import type { CodeTable } from './mapping-document.js';

/**
 * What a source's `<source>.inbound.yaml` says, after validation: how its documents become receipt lines and changes of
 * them. A document is read as texts (XML and CSV have nothing else; JSON numbers stay as they were written); paths
 * begin with `line` (one receipt line), `head` (the document around the lines) or, in a part of a split, `part`.
 */
export interface InboundDocument {
  readonly source: string;
  readonly title: string;
  readonly format: 'json' | 'xml' | 'csv';
  /** Of CSV; null: taken from the header line. */
  readonly separator: ',' | ';' | '\t' | null;
  /** Path of the receipt lines in the document; null: the document is one line (in CSV a row always is). */
  readonly lines: string | null;
  /** Lines with the same value here are one receipt line: lists gather, everything else has to agree. */
  readonly groupBy: string | null;
  /** Which change a line asks for, by a closed table; null when the mapping has only one message. */
  readonly change: { readonly from: string; readonly table: string } | null;
  /** Members of a line that are known and not needed. Any other member that nothing reads refuses the document. */
  readonly ignored: readonly string[];
  readonly tables: Readonly<Record<string, CodeTable>>;
  readonly messages: Readonly<Partial<Record<InboundChange, InboundMessage>>>;
}

export const INBOUND_CHANGES = ['announce', 'cancel', 'relabel', 'split', 'merge'] as const;
export type InboundChange = (typeof INBOUND_CHANGES)[number];

export interface InboundMessage {
  readonly fields: readonly InboundField[];
  /** Parts of a split. */
  readonly parts: { readonly each: string; readonly fields: readonly InboundField[] } | null;
}

/** One value of what is announced or asked for; exactly one of `from`, `join` and `constant`. */
export interface InboundField {
  readonly to: string;
  /** A path, or a JSONata expression where the field names no thing. */
  readonly from?: string;
  /** Paths whose values make one identifier, with a text between that none of them may hold. */
  readonly join?: { readonly of: readonly string[]; readonly with: string };
  readonly constant?: string;
  readonly table?: string;
  /** A text that lists several values, and what separates them. */
  readonly splitAt?: string;
  /** Date and time come without an offset, by the clocks of the site. */
  readonly siteTime?: boolean;
  readonly required: boolean;
}
