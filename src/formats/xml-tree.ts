import { XMLBuilder, XMLParser, XMLValidator } from 'fast-xml-parser';
import { decodeEntities, refuseWhatIsPassedOver, sourceText, XmlRefusal } from './xml-source.js';
import { attributeText, elementText, isXmlName, XML_FORBIDDEN } from './xml-text.js';

/**
 * XML as a plain tree, the form mappings and destinations use. An element with neither attributes nor
 * child elements is its text; any other is an object whose members are child elements by name (an array
 * when a name repeats), attributes as `@name` and own text as `#text`. Values stay text; nothing is
 * trimmed. Objects have no prototype, so a name such as `toString` is only a name.
 */
export type XmlNode = string | XmlElement | readonly XmlNode[];
export interface XmlElement {
  readonly [name: string]: XmlNode;
}

export interface XmlLimits {
  readonly bytesMax: number;
  readonly depthMax: number;
  /** Elements and attributes together. */
  readonly nodesMax: number;
}

/** Wide enough for an answer of a destination, narrow enough to parse on the spot. */
export const XML_LIMITS: XmlLimits = { bytesMax: 4_194_304, depthMax: 64, nodesMax: 200_000 };

export interface XmlFault {
  /** Element path such as `/Messages/Message`, or `line 3, column 14`; '' is the whole document. */
  readonly at: string;
  /** Found against expected. */
  readonly message: string;
}

export type XmlRead =
  | { readonly ok: true; readonly tree: XmlElement }
  | { readonly ok: false; readonly fault: XmlFault };

const PARSER = new XMLParser({
  preserveOrder: true,
  ignoreAttributes: false,
  attributeNamePrefix: '@',
  textNodeName: '#text',
  cdataPropName: '#cdata',
  ignoreDeclaration: true,
  ignorePiTags: true,
  parseTagValue: false,
  parseAttributeValue: false,
  trimValues: false,
  // Entities are decoded below, where anything but the five predefined ones and numbers is refused.
  processEntities: false,
  // The real depth limit is checked below with the path in the message; this one bounds the parser.
  maxNestedTags: 1_000,
  onDangerousProperty: (name) => name,
  jPath: false,
});

/**
 * Reads a UTF-8 XML document with one root element. Refuses, as a value: bytes past the limit, bytes that
 * are not UTF-8, another declared encoding, a DOCTYPE (and with it every entity declaration), entities
 * other than the five predefined and numeric ones, malformed markup, too many or too deep elements, and
 * names such as `__proto__`. Comments and processing instructions are skipped.
 */
export function parseXmlTree(bytes: Uint8Array, limits: XmlLimits = XML_LIMITS): XmlRead {
  try {
    return { ok: true, tree: parseOrThrow(bytes, limits) };
  } catch (error) {
    if (error instanceof XmlRefusal) {
      return { ok: false, fault: { at: shown(error.at), message: error.message } };
    }
    // The parser throws plain errors for markup that the validator lets pass (an unclosed comment).
    return {
      ok: false,
      fault: { at: '', message: `the XML is malformed: ${shown(messageOf(error))}` },
    };
  }
}

/** Every element called `name` directly under `element`, also when there is one or none. */
export function childrenNamed(element: XmlNode | undefined, name: string): readonly XmlNode[] {
  if (element === undefined || typeof element === 'string' || Array.isArray(element)) return [];
  const value = (element as XmlElement)[name];
  if (value === undefined) return [];
  return Array.isArray(value) ? (value as readonly XmlNode[]) : [value];
}

/** An attribute's value, undefined when it is not there. */
export function attributeOf(node: XmlNode, name: string): string | undefined {
  if (typeof node === 'string' || Array.isArray(node)) return undefined;
  const value = (node as XmlElement)[`@${name}`];
  return typeof value === 'string' ? value : undefined;
}

type Ordered = Readonly<Record<string, unknown>>;

interface Walk {
  readonly limits: XmlLimits;
  nodes: number;
}

function parseOrThrow(bytes: Uint8Array, limits: XmlLimits): XmlElement {
  if (bytes.byteLength > limits.bytesMax) {
    throw new XmlRefusal(
      '',
      `expected at most ${limits.bytesMax} bytes, found ${bytes.byteLength}`,
    );
  }
  const text = sourceText(bytes);
  const verdict = XMLValidator.validate(text);
  if (verdict !== true) {
    const { line, col, msg } = verdict.err;
    throw new XmlRefusal(`line ${line}, column ${col ?? 1}`, `the XML is malformed: ${shown(msg)}`);
  }
  refuseWhatIsPassedOver(text);
  const roots = (PARSER.parse(text) as Ordered[]).filter((node) => elementName(node) !== null);
  const root = roots[0];
  const name = root === undefined ? null : elementName(root);
  if (roots.length !== 1 || root === undefined || name === null) {
    throw new XmlRefusal('', `expected one root element, found ${roots.length}`);
  }
  const tree = bare();
  tree[name] = convert(root, name, `/${name}`, 1, { limits, nodes: 0 });
  return tree;
}

function convert(node: Ordered, name: string, path: string, depth: number, walk: Walk): XmlNode {
  if (depth > walk.limits.depthMax) {
    throw new XmlRefusal(path, `expected at most ${walk.limits.depthMax} levels of elements`);
  }
  const element = bare();
  const attributes = Object.entries((node[':@'] ?? {}) as Record<string, string>);
  count(walk, 1 + attributes.length, path);
  for (const [key, value] of attributes) {
    element[key] = decodeEntities(value.replace(/[\t\n\r]/g, ' '), `${path}/${key}`);
  }
  const children = node[name] as readonly Ordered[];
  let text = '';
  let elements = 0;
  for (const child of children) {
    const childName = elementName(child);
    if (childName === null) {
      text += ownText(child, path);
    } else {
      elements += 1;
      append(
        element,
        childName,
        convert(child, childName, `${path}/${childName}`, depth + 1, walk),
      );
    }
  }
  if (elements === 0 && attributes.length === 0) return text;
  // Blanks between child elements are layout; anything else is content.
  if (text !== '' && (elements === 0 || text.trim() !== '')) element['#text'] = text;
  return element;
}

function elementName(node: Ordered): string | null {
  const name = Object.keys(node).find((key) => key !== ':@');
  if (name === undefined || name === '#text' || name === '#cdata') return null;
  if (name === '__proto__' || name === '#__proto__') {
    throw new XmlRefusal('', 'the element name __proto__ is not accepted');
  }
  return name;
}

function ownText(node: Ordered, path: string): string {
  const cdata = node['#cdata'] as readonly Ordered[] | undefined;
  if (cdata !== undefined) return String(cdata[0]?.['#text'] ?? '');
  return decodeEntities(String(node['#text'] ?? ''), path);
}

function append(element: Record<string, XmlNode>, name: string, child: XmlNode): void {
  const held = element[name];
  if (held === undefined) element[name] = child;
  else if (Array.isArray(held)) (held as XmlNode[]).push(child);
  else element[name] = [held, child];
}

function count(walk: Walk, more: number, path: string): void {
  walk.nodes += more;
  if (walk.nodes > walk.limits.nodesMax) {
    throw new XmlRefusal(path, `expected at most ${walk.limits.nodesMax} elements and attributes`);
  }
}

function bare(): Record<string, XmlNode> {
  return Object.create(null) as Record<string, XmlNode>;
}

const MESSAGE_MAX = 200;

/** Paths and the parser's words hold names of the document, however long. */
function shown(message: string): string {
  return message.length > MESSAGE_MAX ? `${message.slice(0, MESSAGE_MAX)}…` : message;
}

function messageOf(error: unknown): string {
  return error instanceof Error ? error.message : String(error);
}

/** A payload tree: attributes as `@name`, own text as `#text`, repeated elements as arrays. */
export type XmlSource =
  | string
  | number
  | boolean
  | readonly XmlSource[]
  | { readonly [name: string]: XmlSource | undefined };

export type XmlWritten =
  | { readonly ok: true; readonly text: string }
  /** `at` is a JSON Pointer into the tree. */
  | { readonly ok: false; readonly at: string; readonly message: string };

const DEPTH_MAX = 64;

const BUILDER = new XMLBuilder({
  ignoreAttributes: false,
  attributeNamePrefix: '@',
  textNodeName: '#text',
  // Texts are escaped before the builder sees them: it would leave carriage returns and attribute line ends.
  processEntities: false,
  // Without this an attribute that says true would be written without its value.
  suppressBooleanAttributes: false,
  suppressEmptyNode: true,
  format: false,
});

/**
 * Writes a tree with one root as an XML 1.0 document that `parseXmlTree` reads back to the same texts.
 * Refused as a value, with its place: a text XML cannot hold (control characters, half a surrogate pair),
 * a number that is not finite, a null, a name that is no XML name, an attribute that is not a single
 * value, more than one root, more than 64 levels. Members that are undefined are left out.
 */
export function writeXmlTree(tree: { readonly [root: string]: XmlSource }): XmlWritten {
  const roots = Object.keys(tree);
  const root = roots[0];
  if (roots.length !== 1 || root === undefined || Array.isArray(tree[root])) {
    return { ok: false, at: '', message: `expected one root element, found ${roots.length}` };
  }
  const faults: Fault[] = [];
  const escaped = prepare(tree, '', 0, faults);
  const fault = faults[0];
  if (fault !== undefined) return { ok: false, ...fault };
  return { ok: true, text: `<?xml version="1.0" encoding="UTF-8"?>${BUILDER.build(escaped)}` };
}

interface Fault {
  readonly at: string;
  readonly message: string;
}

function prepare(value: unknown, at: string, depth: number, faults: Fault[]): unknown {
  if (Array.isArray(value)) {
    return value.map((item, index) => prepare(item, `${at}/${index}`, depth, faults));
  }
  if (typeof value === 'object' && value !== null) return prepareElement(value, at, depth, faults);
  return elementText(leafText(value, at, faults));
}

function prepareElement(value: object, at: string, depth: number, faults: Fault[]): unknown {
  if (depth > DEPTH_MAX) {
    faults.push({ at, message: `expected at most ${DEPTH_MAX} levels of elements` });
    return '';
  }
  const prepared = Object.create(null) as Record<string, unknown>;
  for (const [name, member] of Object.entries(value)) {
    if (member === undefined) continue;
    const place = `${at}/${name.replaceAll('~', '~0').replaceAll('/', '~1')}`;
    const isAttribute = name.startsWith('@');
    if (name !== '#text' && !isXmlName(isAttribute ? name.slice(1) : name)) {
      faults.push({ at: place, message: 'the name is not a name XML allows' });
    } else if (isAttribute || name === '#text') {
      const text = leafText(member, place, faults);
      prepared[name] = isAttribute ? attributeText(text) : elementText(text);
    } else {
      prepared[name] = prepare(member, place, depth + 1, faults);
    }
  }
  return prepared;
}

function leafText(value: unknown, at: string, faults: Fault[]): string {
  if (typeof value === 'string') {
    if (XML_FORBIDDEN.test(value)) {
      faults.push({ at, message: 'the text holds a character that XML 1.0 cannot hold' });
    }
    return value;
  }
  if (typeof value === 'boolean' || (typeof value === 'number' && Number.isFinite(value))) {
    return String(value);
  }
  faults.push({
    at,
    message: `expected text, a finite number or a boolean, found ${describe(value)}`,
  });
  return '';
}

function describe(value: unknown): string {
  if (value === null) return 'null';
  if (Array.isArray(value)) return 'a list';
  return typeof value === 'number' ? String(value) : `a value of type ${typeof value}`;
}
