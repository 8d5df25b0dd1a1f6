import jsonata from 'jsonata';

export type ExpressionRead =
  | {
      readonly ok: true;
      /** Dotted names of the paths it reads. */
      readonly paths: ReadonlySet<string>;
      /** Names of the variables and functions it uses, without `$`. */
      readonly variables: ReadonlySet<string>;
    }
  | { readonly ok: false; readonly detail: string };

const NODES_MAX = 20_000;

/**
 * Parses an expression without running it: which paths it reads and which functions it calls. Paths through
 * variables are not followed.
 */
export function readExpression(expression: string): ExpressionRead {
  let root: jsonata.ExprNode;
  try {
    root = jsonata(expression).ast();
  } catch (error) {
    const { message, position } = error as { message?: unknown; position?: unknown };
    const place = typeof position === 'number' ? ` at character ${position}` : '';
    return { ok: false, detail: `${String(message)}${place}` };
  }
  const paths = new Set<string>();
  const variables = new Set<string>();
  const waiting: unknown[] = [root];
  for (let seen = 0; waiting.length > 0; seen += 1) {
    if (seen > NODES_MAX) return { ok: false, detail: `more than ${NODES_MAX} parts` };
    const node = waiting.pop();
    if (typeof node !== 'object' || node === null) continue;
    const { type, value, steps } = node as { type?: unknown; value?: unknown; steps?: unknown };
    if (type === 'variable') variables.add(String(value));
    if (type === 'path' && Array.isArray(steps)) {
      for (const prefix of leadingNames(steps)) paths.add(prefix);
    }
    for (const member of Object.values(node)) waiting.push(member);
  }
  return { ok: true, paths, variables };
}

/** Every prefix of the names a path starts with: `a.b[0].c` reads a, a.b and a.b.c. */
function leadingNames(steps: readonly unknown[]): string[] {
  const names: string[] = [];
  const prefixes: string[] = [];
  for (const step of steps) {
    const { type, value } = step as { type?: unknown; value?: unknown };
    if (type !== 'name') break;
    names.push(String(value));
    prefixes.push(names.join('.'));
  }
  return prefixes;
}
