import jsonata from 'jsonata';

export type ExpressionRead =
  | {
      readonly ok: true;
      /** Dotted names of the paths it reads. */
      readonly paths: ReadonlySet<string>;
      /** Names of the variables and functions it uses, without `$`; `toMillis` only where it is given a picture. */
      readonly variables: ReadonlySet<string>;
      /** Names read of something of which nobody can tell where it stands, such as what a function is handed. */
      readonly loose: ReadonlySet<string>;
      /** It reads all members of something, whatever they are called. */
      readonly readsAll: boolean;
    }
  | { readonly ok: false; readonly detail: string };

const NODES_MAX = 20_000;
const DEPTH_MAX = 500;

/** Names from the top of the subject to where a part of an expression stands; null where that cannot be told. */
type Context = readonly string[] | null;

/**
 * Parses an expression without running it: which paths of the subject it reads and which functions it calls. Paths are
 * followed from the top (`$$`), from where a path got to (`$`, and what stands in brackets or calls behind a dot) and from
 * variables that hold one; where an expression goes on from what it computed, they are not.
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
  const reader = new PathReader();
  reader.read(root, [], 0);
  if (reader.isTooLarge) {
    return {
      ok: false,
      detail: `more than ${NODES_MAX} parts, or ${DEPTH_MAX} within one another`,
    };
  }
  const { paths, variables, loose, readsAll } = reader;
  return { ok: true, paths, variables, loose, readsAll };
}

interface AstNode {
  readonly type?: unknown;
  readonly value?: unknown;
  readonly steps?: unknown;
  readonly expressions?: unknown;
  readonly lhs?: unknown;
  readonly rhs?: unknown;
  readonly focus?: unknown;
  readonly procedure?: unknown;
  readonly arguments?: unknown;
}

class PathReader {
  readonly paths = new Set<string>();
  readonly variables = new Set<string>();
  readonly loose = new Set<string>();
  readsAll = false;
  isTooLarge = false;
  readonly #held = new Map<string, Context>();
  #seen = 0;

  /** Where the node's value stands in the subject. */
  read(node: unknown, context: Context, depth: number): Context {
    if (typeof node !== 'object' || node === null || this.isTooLarge) return null;
    this.#seen += 1;
    this.isTooLarge = this.#seen > NODES_MAX || depth > DEPTH_MAX;
    const { type, steps, expressions, lhs, rhs } = node as AstNode;
    if (type === 'wildcard' || type === 'descendant') this.readsAll = true;
    if (isPlainToMillis(node)) {
      this.#members(node, ['procedure'], context, depth);
      return null;
    }
    if (type === 'apply' && isPlainToMillis(rhs)) this.variables.add('toMillis');
    if (type === 'path' && Array.isArray(steps)) {
      let at = context;
      for (const step of steps) at = this.#step(step, at, depth + 1);
      this.#members(node, ['steps'], at, depth);
      return at;
    }
    if (type === 'variable') return this.#variable(node, context);
    if (type === 'block' && Array.isArray(expressions)) {
      let last: Context = null;
      for (const inner of expressions) last = this.read(inner, context, depth + 1);
      return last;
    }
    if (type === 'bind') {
      const at = this.read(rhs, context, depth + 1);
      this.#held.set(String((lhs as AstNode | undefined)?.value), at);
      return at;
    }
    this.#members(node, [], context, depth);
    return null;
  }

  #step(step: AstNode, context: Context, depth: number): Context {
    const { type, value, focus } = step;
    if (type !== 'name' && type !== 'variable') {
      const at = this.read(step, context, depth);
      return type === 'sort' ? context : at;
    }
    const at =
      type === 'variable' ? this.#variable(step, context) : context && [...context, String(value)];
    if (type === 'name') {
      if (at === null) this.loose.add(String(value));
      else this.paths.add(at.join('.'));
    }
    if (typeof focus === 'string') this.#held.set(focus, at);
    this.#members(step, [], at, depth);
    return at;
  }

  #variable({ value }: AstNode, context: Context): Context {
    const name = String(value);
    this.variables.add(name);
    if (name === '') return context;
    return name === '$' ? [] : (this.#held.get(name) ?? null);
  }

  #members(node: object, without: readonly string[], context: Context, depth: number): void {
    for (const [name, member] of Object.entries(node)) {
      if (!without.includes(name)) this.read(member, context, depth + 1);
    }
  }
}

/** `$toMillis(text)`: without a picture the text is a whole instant. What stands before `~>` is one argument more. */
function isPlainToMillis(node: unknown): boolean {
  const { type, procedure, arguments: given } = (node ?? {}) as AstNode;
  return (
    type === 'function' &&
    (procedure as AstNode | undefined)?.value === 'toMillis' &&
    Array.isArray(given) &&
    given.length === 1
  );
}
