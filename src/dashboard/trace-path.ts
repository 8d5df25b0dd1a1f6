/** Address of the story of what a term stands for; `chosen` is `kind:id` of one of several. */
export function tracePath(term: string, chosen: string | null = null): string {
  return `/trace?${new URLSearchParams({ term, ...(chosen === null ? {} : { as: chosen }) })}`;
}
