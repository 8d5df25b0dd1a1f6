/** The five things the AnIML schema means but no schema processor checks reliably. */
export type AnimlRule =
  | 'unique-ids'
  | 'references-resolve'
  | 'series-length'
  | 'value-type'
  | 'audit-references';

export interface AnimlFinding {
  readonly rule: AnimlRule;
  /** Element path in the document. */
  readonly path: string;
  /** Found against expected. */
  readonly message: string;
}
