import { XMLParser, XMLValidator } from 'fast-xml-parser';

/** A message of the stand-in ERP's own format, read with a parser the gateway's codec has no part in. */
export interface ErpMessage {
  readonly reference: string;
  readonly messageType: string;
  /** Leaf children of `Body`; a name that repeats keeps every text. */
  readonly fields: ReadonlyMap<string, readonly string[]>;
  /** What stands between `<Body>` and `</Body>`, byte for byte. */
  readonly bodyXml: string;
}

const PARSER = new XMLParser({
  ignoreAttributes: true,
  ignoreDeclaration: true,
  parseTagValue: false,
  trimValues: false,
  processEntities: true,
});
const BODY_MAX = 1_048_576;

/** Reads `<IdentityMessage><Header>…</Header><Body>…</Body></IdentityMessage>`, or says what is wrong. */
export function readErpMessage(xml: string): ErpMessage | { readonly fault: string } {
  if (xml.length > BODY_MAX) return { fault: 'message too long' };
  if (/<!DOCTYPE/i.test(xml)) return { fault: 'a DOCTYPE is not taken' };
  const verdict = XMLValidator.validate(xml);
  if (verdict !== true) return { fault: `not well-formed: ${verdict.err.msg}` };
  const root = child(PARSER.parse(xml) as unknown, 'IdentityMessage');
  const reference = textAt(child(root, 'Header'), 'Reference');
  const messageType = textAt(child(root, 'Header'), 'MessageType');
  const body = child(root, 'Body');
  const bodyXml = /<Body>([\s\S]*)<\/Body>/.exec(xml)?.[1];
  if (reference === null || reference === '') return { fault: 'Header/Reference is missing' };
  if (messageType === null) return { fault: 'Header/MessageType is missing' };
  if (body === undefined || bodyXml === undefined) return { fault: 'Body is missing' };
  const fields = new Map<string, string[]>();
  collect(body, fields, 0);
  return { reference, messageType, fields, bodyXml };
}

/** First text of a field, null when the message has none. */
export function erpField(message: ErpMessage, name: string): string | null {
  return message.fields.get(name)?.[0] ?? null;
}

export function escapeXml(text: string): string {
  return text.replace(/[&<>"]/g, (c) => `&#${c.charCodeAt(0)};`);
}

function collect(node: unknown, fields: Map<string, string[]>, depth: number): void {
  if (typeof node !== 'object' || node === null || depth > 8) return;
  for (const [name, value] of Object.entries(node)) {
    for (const item of Array.isArray(value) ? (value as unknown[]) : [value]) {
      if (typeof item === 'string') fields.set(name, [...(fields.get(name) ?? []), item]);
      else collect(item, fields, depth + 1);
    }
  }
}

function child(node: unknown, name: string): unknown {
  return typeof node === 'object' && node !== null
    ? (node as Record<string, unknown>)[name]
    : undefined;
}

function textAt(node: unknown, name: string): string | null {
  const value = child(node, name);
  return typeof value === 'string' ? value : null;
}
