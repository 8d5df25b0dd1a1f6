/** One place where a document does not have the shape of a bundle. */
export interface SchemaFault {
  /** JSON Pointer into the document. */
  readonly pointer: string;
  /** Found against expected. */
  readonly message: string;
}

/**
 * Compares a parsed document with `schemas/result-bundle.schema.json`. No faults means that it may be
 * taken for a `ResultBundle`. At most `SCHEMA_FAULTS_MAX` faults.
 */
export type ValidateBundleSchema = (document: unknown) => readonly SchemaFault[];

export const SCHEMA_FAULTS_MAX = 50;
