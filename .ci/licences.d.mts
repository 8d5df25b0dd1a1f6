/** Whether an SPDX expression can be satisfied with the licences this project accepts. */
export function isAllowed(expression: string): boolean;
