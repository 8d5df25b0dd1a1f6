import { Ajv2020, type ValidateFunction } from 'ajv/dist/2020.js';
import formatsModule from 'ajv-formats';
import type { ContractError } from './expression-task.js';
import { remembered } from './remembered.js';

// Published as CommonJS: the callable is the module itself, the types say it is its default.
const addFormats = formatsModule as unknown as typeof formatsModule.default;

const ERRORS_MAX = 20;

export type CompiledContract = (tree: unknown) => readonly ContractError[];

const OPTIONS = { allErrors: true, strict: true, ownProperties: true, validateFormats: true };

/** Judges schemas as such. One for all of them: compiling the schema of schemas takes longer than the rest. */
const judge = new Ajv2020(OPTIONS);
addFormats(judge);

/** By their text: each start compiles what it checks and then, from the database, what it runs by, mostly the same. */
const COMPILED = new Map<string, CompiledContract>();

/**
 * Compiles a contract (JSON Schema 2020-12, strict). References to other files are not followed.
 *
 * @throws Error with the validator's words when the schema is not valid.
 */
export function compileContract(schema: string): CompiledContract {
  return remembered(COMPILED, schema, compileAnew);
}

function compileAnew(schema: string): CompiledContract {
  const parsed = JSON.parse(schema) as object;
  void judge.validateSchema(parsed, true);
  // One of its own for each, so that no contract can see the names of another.
  const ajv = new Ajv2020({ ...OPTIONS, validateSchema: false });
  addFormats(ajv);
  const validate: ValidateFunction = ajv.compile(parsed);
  // Its answer would be a promise, which is as good as true here.
  if ('$async' in validate) throw new Error('$async: a contract answers at once');
  return (tree) => {
    try {
      if (validate(tree)) return [];
    } catch (error) {
      // How a stack that is full shows. A schema may refer to itself at the same place of the payload.
      if (error instanceof RangeError)
        return [{ at: '', detail: 'the contract refers to itself without end' }];
      throw error;
    }
    return (validate.errors ?? []).slice(0, ERRORS_MAX).map((error) => ({
      at: error.instancePath,
      detail: `${error.message ?? error.keyword} ${JSON.stringify(error.params)}`,
    }));
  };
}

/**
 * True when checking could run long: a schema's patterns are regular expressions written by a person, and
 * these have no bound of their own. Such a contract is checked in the pool.
 */
export function needsPool(schema: string): boolean {
  // Written anew, since a name may hide behind an escape.
  return JSON.stringify(JSON.parse(schema)).includes('"pattern');
}
