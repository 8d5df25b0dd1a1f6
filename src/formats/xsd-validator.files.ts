import { readdir, readFile } from 'node:fs/promises';
import { join } from 'node:path';
import {
  ParseOption,
  XmlBufferInputProvider,
  XmlDocument,
  XmlLibError,
  XsdValidator,
  xmlRegisterInputProvider,
} from 'libxml2-wasm';
import { attributeOf, childrenNamed, parseXmlTree } from './xml-tree.js';

export interface XsdFault {
  readonly line: number;
  readonly message: string;
}

/** A compiled schema. `dispose` frees memory outside the JavaScript heap: call it once, in a `finally`. */
export interface XsdCheck {
  /** Faults of one document, none when it is valid. A document that is not well-formed has one fault. */
  faults(document: Uint8Array): readonly XsdFault[];
  dispose(): void;
}

const CATALOG = 'catalog.xml';
const BASE = 'mem:/schemas/';
const SCHEMA_BYTES_MAX = 4_194_304;

/** Libxml2 asks this provider for whatever a schema includes or imports; nothing is read from network or disk. */
const provider = new XmlBufferInputProvider({});
let isRegistered = false;

/**
 * Compiles one XSD of a directory, with every `.xsd` beside it and every address its OASIS `catalog.xml`
 * maps to one of them answered from memory. Throws when the schema does not compile, so that a missing
 * import is an error and never a network request.
 */
export async function openXsdCheck(directory: string, schema: string): Promise<XsdCheck> {
  const files = await schemaFiles(directory);
  const main = files.get(BASE + schema);
  if (main === undefined) throw new Error(`there is no schema ${schema} in ${directory}`);
  if (!isRegistered) isRegistered = xmlRegisterInputProvider(provider);
  for (const [address, bytes] of files) provider.addBuffer(address, bytes);
  try {
    return checkOf(compile(main, BASE + schema));
  } finally {
    for (const address of files.keys()) provider.removeBuffer(address);
  }
}

function compile(schema: Uint8Array, url: string): XsdValidator {
  const document = XmlDocument.fromBuffer(schema, { url, option: SAFE });
  try {
    return XsdValidator.fromDoc(document);
  } finally {
    document.dispose();
  }
}

const SAFE: ParseOption = ParseOption.XML_PARSE_NONET | ParseOption.XML_PARSE_NO_XXE;

function checkOf(validator: XsdValidator): XsdCheck {
  return {
    faults(bytes) {
      let document: XmlDocument | null = null;
      try {
        document = XmlDocument.fromBuffer(bytes, { option: SAFE });
        validator.validate(document);
        return [];
      } catch (error) {
        if (!(error instanceof XmlLibError)) throw error;
        return error.details.map(({ line, message }) => ({ line, message: message.trim() }));
      } finally {
        document?.dispose();
      }
    },
    dispose: () => validator.dispose(),
  };
}

/** Addresses and bytes of a directory's schemas, the catalogue's addresses among them. */
async function schemaFiles(directory: string): Promise<ReadonlyMap<string, Uint8Array>> {
  const names = (await readdir(directory)).filter((name) => name.endsWith('.xsd'));
  const files = new Map<string, Uint8Array>();
  for (const name of names) {
    const bytes = await readFile(join(directory, name));
    if (bytes.byteLength > SCHEMA_BYTES_MAX) {
      throw new Error(
        `expected at most ${SCHEMA_BYTES_MAX} bytes in ${name}, found ${bytes.byteLength}`,
      );
    }
    files.set(BASE + name, bytes);
  }
  for (const [address, name] of await catalogue(directory)) {
    const bytes = files.get(BASE + name);
    if (bytes !== undefined) files.set(address, bytes);
  }
  return files;
}

async function catalogue(directory: string): Promise<readonly (readonly [string, string])[]> {
  if (!(await readdir(directory)).includes(CATALOG)) return [];
  const parsed = parseXmlTree(await readFile(join(directory, CATALOG)));
  if (!parsed.ok) throw new Error(`${CATALOG}: ${parsed.fault.at} ${parsed.fault.message}`);
  const root = parsed.tree['catalog'];
  return ['uri', 'system'].flatMap((element) =>
    childrenNamed(root, element).map(
      (row) =>
        [
          attributeOf(row, element === 'uri' ? 'name' : 'systemId') ?? '',
          attributeOf(row, 'uri') ?? '',
        ] as const,
    ),
  );
}
