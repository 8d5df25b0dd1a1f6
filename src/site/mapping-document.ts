import type { RoundingRule } from '../formats/decimal.js';

/**
 * A destination's mapping as its YAML file says it (`<destination>.mapping.yaml`), after validation.
 * Payloads are trees: objects, arrays and text/number/boolean leaves. In XML an attribute is a member
 * named `@name` and an element's own text is `#text`. Every `Path` is a JSON Pointer into such a tree.
 */
export type Path = string;

export type MessageName =
  | 'result'
  | 'withdrawal'
  | 'statement'
  | 'stop'
  | 'stop-escalation'
  | 'period';
export const MESSAGE_NAMES: readonly MessageName[] = [
  'result',
  'withdrawal',
  'statement',
  'stop',
  'stop-escalation',
  'period',
];

export interface MappingDocument {
  readonly destination: string;
  readonly format: 'json' | 'xml';
  readonly messages: Readonly<Partial<Record<MessageName, MessageMapping>>>;
  readonly tables: Readonly<Record<string, CodeTable>>;
  /** Which payload values let the destination release (rule 23). Empty only for a destination that never acts. */
  readonly permits: readonly { readonly at: Path; readonly values: readonly string[] }[];
  /** How to list what the destination holds of a period; null when it cannot be listed. */
  readonly list: HeldList | null;
  /** What it says of itself, watched for changes; null when it says nothing. */
  readonly describe: Description | null;
}

/**
 * One page of the messages that a destination got in a period. The path may hold `{from}` and `{to}` (RFC 3339,
 * UTC), `{limit}` and `{cursor}` (empty for the first page). Items have the form of a read-back's, so that they
 * are compared by the same fields.
 */
export interface HeldList {
  readonly request: RequestTemplate;
  readonly items: Path;
  /** Where the cursor of the next page stands; missing or empty: this was the last one. */
  readonly next: Path | null;
  /** Most items of a page. */
  readonly pageSize: number;
  /** Where an item has our reference. */
  readonly reference: Path;
  /** Where it has the destination's own number. */
  readonly number: Path | null;
  /** Where it has the time it was stored at, RFC 3339. */
  readonly at: Path | null;
  /** Where it says which message it is, and the destination's word for each. */
  readonly message: {
    readonly held: Path;
    readonly codes: Readonly<Partial<Record<MessageName, string>>>;
  } | null;
  readonly receipt: Path | null;
  readonly result: Path | null;
  /** Where a message about a closed period has the period's id. */
  readonly period: Path | null;
  readonly revision: Path | null;
}

/** A document of the destination and the parts of it that must stay as they were approved. */
export interface Watched {
  readonly request: RequestTemplate;
  /** '' is the whole document. */
  readonly parts: readonly Path[];
}

export interface Description extends Watched {
  /** A record that is kept there for this: it reads otherwise when the meaning of fields was changed. */
  readonly canary: Watched | null;
}

/** Closed table: a value without a row is an error, there is no default row. */
export type CodeTable = Readonly<Record<string, string>>;

export interface MessageMapping {
  readonly request: RequestTemplate;
  readonly fields: readonly FieldMapping[];
  /** What a 2xx answer must show to count as accepted. */
  readonly answer: AnswerReceipt;
  /** null when the destination cannot be asked about this message. */
  readonly readBack: ReadBack | null;
  /** JSON Schema (path in the site folder) the payload tree must pass before it is sent. */
  readonly contract: string | null;
}

/**
 * `path` is relative to the endpoint's base URL (or the file name of a file drop) and may hold
 * placeholders: `{key}` idempotency key, `{deliveryId}`, or `{/pointer}` a value of the built payload;
 * each is percent-encoded as one path segment or query value.
 */
export interface RequestTemplate {
  readonly method: 'POST' | 'PUT' | 'GET';
  readonly path: string;
}

/**
 * One value of the payload. A path that crosses an array yields a list; without `list` more than one
 * value is an error, and with it the field always holds an array, also for one value or none.
 */
export interface FieldMapping {
  readonly to: Path;
  /** JSONata expression over the subject; exactly one of `from` and `constant`. */
  readonly from?: string;
  readonly constant?: string;
  /** Name of a code table applied to the value. */
  readonly table?: string;
  readonly required: boolean;
  /** Longer values are an error, never cut. */
  readonly maxLength?: number;
  /** Identifier fields take no default, rounding, table, number form or function (rule 24). */
  readonly identifier: boolean;
  readonly round?: { readonly places: number; readonly rule: RoundingRule };
  readonly list?: boolean;
  /** JSON leaf type; XML is text always. */
  readonly as: 'text' | 'number' | 'boolean';
}

export interface AnswerReceipt {
  /** `held` in the answer must equal `sent` in the payload, as text. */
  readonly echo: readonly { readonly sent: Path; readonly held: Path }[];
  /** Where the destination's own number stands in the answer. */
  readonly reference: Path | null;
}

export type Equivalence = 'exact' | 'text' | 'decimal' | 'instant';

export interface ReadBack {
  readonly request: RequestTemplate;
  /** Array (or single element) of held messages in the answer; '' is the whole answer. */
  readonly items: Path;
  readonly compare: readonly {
    readonly sent: Path;
    readonly held: Path;
    readonly as: Equivalence;
  }[];
  /** Received and applied are different: confirmed needs this value, when given. */
  readonly applied: { readonly held: Path; readonly value: string } | null;
  /**
   * For messages about a receipt's state: an item about the same thing whose revision is higher than the one sent
   * means, once it is applied, that ours was received and overtaken, which confirms it.
   */
  readonly revision: { readonly sent: Path; readonly held: Path } | null;
  /**
   * The status by which the destination says that it holds nothing; null when it answers with an empty list. Whatever stands
   * in front of it may answer 404 too, so that none is believed unless somebody who knows the destination says so.
   */
  readonly absentStatus: 404 | null;
}
