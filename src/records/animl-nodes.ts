import type { XmlElement, XmlNode } from '../formats/xml-tree.js';

/** An element of an AnIML document with its place, prefixes taken off, for rules that look at any depth. */
export interface AnimlNode {
  readonly name: string;
  /** Path with 1-based positions where a name repeats, e.g. `/AnIML/SampleSet/Sample[2]`. */
  readonly path: string;
  readonly attributes: ReadonlyMap<string, string>;
  readonly children: readonly AnimlNode[];
  readonly text: string;
}

/** The root element of a parsed document as a node. */
export function animlRoot(tree: XmlElement): AnimlNode | null {
  const [entry] = Object.entries(tree);
  return entry === undefined
    ? null
    : nodeOf(localName(entry[0]), `/${localName(entry[0])}`, entry[1]);
}

/** Direct children of one name. */
export function childrenOf(node: AnimlNode, name: string): readonly AnimlNode[] {
  return node.children.filter((child) => child.name === name);
}

/** The node and everything below it, in document order but grouped by name; signatures are not entered. */
export function* everyNode(node: AnimlNode): Generator<AnimlNode> {
  yield node;
  if (node.name === 'Signature') return;
  for (const child of node.children) yield* everyNode(child);
}

/** An xsd:token: outer blanks gone, inner runs of blanks one blank. */
export function token(text: string): string {
  return text.replace(/[ \t\r\n]+/g, ' ').trim();
}

function nodeOf(name: string, path: string, value: XmlNode): AnimlNode {
  if (typeof value === 'string') {
    return { name, path, attributes: new Map(), children: [], text: value };
  }
  const attributes = new Map<string, string>();
  const children: AnimlNode[] = [];
  let text = '';
  for (const [key, member] of Object.entries(value as XmlElement)) {
    if (key === '#text') text = String(member);
    else if (key.startsWith('@')) attributes.set(key.slice(1), String(member));
    else for (const child of childNodes(localName(key), path, member)) children.push(child);
  }
  return { name, path, attributes, children, text };
}

function childNodes(name: string, path: string, member: XmlNode): AnimlNode[] {
  if (!Array.isArray(member)) return [nodeOf(name, `${path}/${name}`, member)];
  return member.map((item: XmlNode, index) => nodeOf(name, `${path}/${name}[${index + 1}]`, item));
}

function localName(name: string): string {
  return name.slice(name.indexOf(':') + 1);
}
