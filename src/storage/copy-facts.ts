/** What a database says of itself at the moment it is copied. */
export interface CopyFacts {
  readonly migrations: readonly string[];
  readonly instance: { readonly id: string; readonly epoch: number };
  readonly site: string | null;
  readonly trail: { readonly entries: number; readonly lastSequence: number | null };
}
