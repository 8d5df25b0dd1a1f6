import {
  type MappingDocument,
  MESSAGE_NAMES,
  type MessageMapping,
  type MessageName,
} from '../site/mapping-document.js';
import type { MappingSource } from '../site/mapping-source.js';
import type { RuleFault } from '../site/site-fault.js';
import { compileBarePath, type Getter } from './bare-path.js';
import { type CompiledContract, compileContract, needsPool } from './contract.js';

/** A mapping made ready to build payloads from. */
export interface CompiledMapping {
  readonly digest: string;
  readonly document: MappingDocument;
  readonly messages: ReadonlyMap<MessageName, CompiledMessage>;
}

export interface CompiledMessage {
  readonly mapping: MessageMapping;
  /** Getter of each field, null for constants and for expressions. */
  readonly getters: readonly (Getter | null)[];
  /** Expressions that run in the pool, with the index of their field. */
  readonly expressions: readonly { readonly field: number; readonly expression: string }[];
  readonly contract: MessageContract | null;
}

export interface MessageContract {
  /** JSON text of the schema, checked in the pool when it holds patterns. */
  readonly schema: string;
  readonly inPool: boolean;
  readonly check: CompiledContract;
}

export type CompileOutcome =
  | { readonly ok: true; readonly mapping: CompiledMapping }
  | { readonly ok: false; readonly faults: readonly RuleFault[] };

/** Compiles paths and contracts; expressions are compiled where they run. */
export function compileMapping(
  source: Pick<MappingSource, 'document' | 'content' | 'digest'>,
): CompileOutcome {
  const faults: RuleFault[] = [];
  const messages = new Map<MessageName, CompiledMessage>();
  for (const name of MESSAGE_NAMES) {
    const mapping = source.document.messages[name];
    if (!mapping) continue;
    messages.set(name, {
      mapping,
      getters: mapping.fields.map((f) => (f.from === undefined ? null : compileBarePath(f.from))),
      expressions: mapping.fields.flatMap(({ from }, field) =>
        from === undefined || compileBarePath(from) ? [] : [{ field, expression: from }],
      ),
      contract: compiledContract(source, name, mapping.contract, faults),
    });
  }
  if (faults.length > 0) return { ok: false, faults };
  return { ok: true, mapping: { digest: source.digest, document: source.document, messages } };
}

function compiledContract(
  source: Pick<MappingSource, 'content'>,
  name: MessageName,
  file: string | null,
  faults: RuleFault[],
): MessageContract | null {
  const schema = file === null ? undefined : source.content[file];
  if (schema === undefined) return null;
  try {
    return { schema, inPool: needsPool(schema), check: compileContract(schema) };
  } catch (error) {
    faults.push({
      path: ['messages', name, 'contract'],
      rule: 'contract-schema',
      message: `${file ?? ''} is no valid schema: ${error instanceof Error ? error.message : String(error)}`,
      remedy: 'Correct the contract (JSON Schema 2020-12, strict).',
    });
    return null;
  }
}
