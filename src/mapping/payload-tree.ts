import type { Path } from '../site/mapping-document.js';

export type PayloadLeaf = string | number | boolean;
export type PayloadNode = PayloadLeaf | readonly PayloadNode[] | PayloadTree;

/** A payload before it becomes bytes. Objects have no prototype: a member is only what a mapping wrote. */
export interface PayloadTree {
  readonly [name: string]: PayloadNode;
}

type Growing = Record<string, PayloadNode>;

export function emptyTree(): PayloadTree {
  return bare();
}

/** Writes a value at a JSON Pointer, making the objects on the way. Members keep the order of writing. */
export function putAt(tree: PayloadTree, path: Path, value: PayloadNode): void {
  const steps = path.split('/').slice(1).map(unescapeStep);
  const last = steps.pop();
  if (last === undefined) throw new Error('a payload value needs a name');
  let node = tree as Growing;
  for (const step of steps) {
    const next = node[step] ?? bare();
    if (typeof next !== 'object' || Array.isArray(next)) throw new Error(`${path} crosses a value`);
    node[step] = next;
    node = next as Growing;
  }
  node[last] = value;
}

/** The value at a JSON Pointer; undefined when there is none. */
export function getAt(tree: PayloadNode, path: Path): PayloadNode | undefined {
  let node: PayloadNode | undefined = tree;
  for (const step of path.split('/').slice(1).map(unescapeStep)) {
    if (typeof node !== 'object' || !Object.hasOwn(node, step)) return undefined;
    node = (node as Growing)[step];
  }
  return node;
}

/** Every leaf at a pointer, as text: one, several when a list stands there, none. */
export function leafTexts(tree: PayloadNode, path: Path): string[] {
  const node = getAt(tree, path);
  if (node === undefined) return [];
  return (Array.isArray(node) ? node : [node]).flatMap((leaf: PayloadNode) =>
    typeof leaf === 'object' ? [] : [String(leaf)],
  );
}

/** Steps of a pointer, unescaped (RFC 6901). */
export function stepsOf(path: Path): string[] {
  return path.split('/').slice(1).map(unescapeStep);
}

function unescapeStep(step: string): string {
  return step.replaceAll('~1', '/').replaceAll('~0', '~');
}

function bare(): Growing {
  return Object.create(null) as Growing;
}
