import {
  type Document,
  isAlias,
  isMap,
  isNode,
  isScalar,
  isSeq,
  LineCounter,
  type Node,
  parseDocument,
  visit,
} from 'yaml';
import type { DocumentPath, FilePosition, RuleFault, SiteFault } from './site-fault.js';

/** A YAML file that was read: its value and where each part of it stands. */
export interface YamlSource {
  readonly file: string;
  readonly value: unknown;
  readonly locate: Locate;
}

/** Position of a value (or its key); of the nearest thing around it when it is not there. */
export type Locate = (path: DocumentPath, onKey?: boolean) => FilePosition;

export type YamlRead =
  | { readonly ok: true; readonly source: YamlSource }
  | { readonly ok: false; readonly faults: readonly SiteFault[] };

/**
 * Reads one YAML 1.2 document by the core schema. Refused, each with its place: syntax errors, duplicate
 * keys, keys that are not text, anchors and aliases (a short file could unfold into a huge one), tags and
 * a second document.
 */
export function readYaml(file: string, text: string): YamlRead {
  const lines = new LineCounter();
  const at = (offset: number): FilePosition => {
    const { line, col } = lines.linePos(offset);
    return { line: Math.max(line, 1), column: Math.max(col, 1) };
  };
  const document = parseBounded(text, lines);
  if (document === null) {
    return {
      ok: false,
      faults: [syntaxFault(file, { line: 1, column: 1 }, 'the nesting is too deep')],
    };
  }
  const refused = refusedNodes(document, file, text, at);
  const faults = [...document.errors, ...document.warnings]
    // A tag is refused whether or not the parser knows it.
    .filter(({ code }) => code !== 'TAG_RESOLVE_FAILED' || refused.length === 0)
    .map((error) =>
      error.code === 'MULTIPLE_DOCS'
        ? secondDocument(file, at(error.pos[0]))
        : syntaxFault(file, at(error.pos[0]), error.message),
    );
  faults.push(...refused);
  if (faults.length > 0) return { ok: false, faults };
  const locate: Locate = (path, onKey) => at(offsetOf(document, path, onKey === true));
  return { ok: true, source: { file, value: document.toJS({ maxAliasCount: 0 }), locate } };
}

/** Puts a rule's fault at its place in the file. */
export function placed(source: YamlSource, fault: RuleFault): SiteFault {
  const { rule, message, remedy } = fault;
  return { file: source.file, ...source.locate(fault.path, fault.onKey), rule, message, remedy };
}

function parseBounded(text: string, lineCounter: LineCounter): Document | null {
  try {
    return parseDocument(text, {
      schema: 'core',
      version: '1.2',
      uniqueKeys: true,
      stringKeys: true,
      strict: true,
      merge: false,
      resolveKnownTags: false,
      prettyErrors: false,
      // At `silent` the parser keeps quiet about further documents and drops them.
      logLevel: 'error',
      lineCounter,
    });
  } catch (error) {
    // The parser recurses: a file nested thousands deep ends in a stack overflow, which is that file's fault.
    if (error instanceof RangeError) return null;
    throw error;
  }
}

function syntaxFault(file: string, position: FilePosition, message: string): SiteFault {
  return {
    file,
    ...position,
    rule: 'yaml',
    message: message.replace(/\.$/, ''),
    remedy: 'Correct the YAML at this place.',
  };
}

function secondDocument(file: string, position: FilePosition): SiteFault {
  return {
    ...syntaxFault(file, position, 'a second document begins here, and a file holds one'),
    remedy:
      'Remove what ends the first document (--- or ... on a line of its own), or split the file.',
  };
}

function refusedNodes(
  document: Document,
  file: string,
  text: string,
  at: (offset: number) => FilePosition,
): SiteFault[] {
  const faults: SiteFault[] = [];
  visit(document, {
    Node(_key, node) {
      const start = node.range?.[0] ?? 0;
      if ('tag' in node && node.tag !== undefined) {
        faults.push({
          ...syntaxFault(file, at(start), `tags are not accepted, found ${node.tag}`),
          remedy: 'Remove the tag; write a text that looks like a number between quotes.',
        });
      }
      const anchor = isAlias(node) ? node.source : 'anchor' in node ? node.anchor : undefined;
      if (anchor === undefined) return;
      // A node starts behind its anchor, often on the next line.
      const position = at(
        isAlias(node) ? start : Math.max(text.lastIndexOf(`&${anchor}`, start), 0),
      );
      faults.push({
        ...syntaxFault(file, position, `anchors and aliases are not accepted, found ${anchor}`),
        remedy: 'Write the value out where it is needed.',
      });
    },
  });
  return faults;
}

function offsetOf(document: Document, path: DocumentPath, onKey: boolean): number {
  let node: Node | null = isNode(document.contents) ? document.contents : null;
  let offset = node?.range?.[0] ?? 0;
  for (const [depth, step] of path.entries()) {
    const found = child(node, step);
    if (!found) return offset;
    const last = depth === path.length - 1;
    const pick = onKey && last ? (found.key ?? found.value) : (found.value ?? found.key);
    offset = pick?.range?.[0] ?? offset;
    node = found.value;
  }
  return offset;
}

function child(
  node: Node | null,
  step: string | number,
): { readonly key: Node | null; readonly value: Node | null } | null {
  if (isSeq(node)) {
    const item = node.items[Number(step)];
    return isNode(item) ? { key: null, value: item } : null;
  }
  if (!isMap(node)) return null;
  const pair = node.items.find((p) => isScalar(p.key) && String(p.key.value) === String(step));
  if (!pair) return null;
  return {
    key: isNode(pair.key) ? pair.key : null,
    value: isNode(pair.value) ? pair.value : null,
  };
}
