import { STATEMENT_OUTCOMES } from '../records/statement-record.js';
import type { FieldMapping, MappingDocument, MessageName } from '../site/mapping-document.js';
import type { RuleFault } from '../site/site-fault.js';
import { DECISIONS } from '../site/vocabulary.js';
import { barePathSteps } from './bare-path.js';
import { leafTexts, type PayloadTree } from './payload-tree.js';
import { isSameWord } from './permit-reading.js';
import { sampleResult, sampleStatement } from './sample-subjects.js';
import type { Subject } from './subjects.js';

/** Words of ours that speak for a container or a receipt; whatever else stands in their place does not. */
export const FAVOURABLE: ReadonlySet<string> = new Set(['pass', 'match', 'conforms']);

/** What one word of ours writes into a message, everything else being the same. */
interface Written {
  readonly word: string;
  readonly tree: PayloadTree;
}

// Outside the types, as a later version or damaged data could hold it.
const UNKNOWN = 'a-word-nobody-knows';

/** The messages that speak for something, from where, and each of their words. */
const SPEAKING: readonly {
  readonly name: MessageName;
  readonly source: string;
  readonly words: readonly string[];
  readonly saying: (word: string) => Subject;
}[] = [
  {
    name: 'result',
    source: 'record.decision',
    words: [...DECISIONS, UNKNOWN],
    saying: (word) => sampleResult({ decision: word as (typeof DECISIONS)[number] }),
  },
  {
    name: 'statement',
    source: 'statement.outcome',
    words: [...STATEMENT_OUTCOMES, UNKNOWN],
    saying: (word) => sampleStatement({ outcome: word as (typeof STATEMENT_OUTCOMES)[number] }),
  },
];

/**
 * `code-shared` of what is written in the end, whatever wrote it: an expression, a table behind one, a constant. Every
 * message carries the word itself from a bare path, and a table behind that is judged by its rows (`mapping-rules.ts`), so
 * payloads can be told apart. But a destination may look elsewhere: no other field that says something of its own may write
 * for a word that speaks against the code of one that speaks for.
 *
 * More cannot be asked for: that a field writes one value for pass and fail is in order where it is about something else,
 * such as whether a measurement was finished.
 */
export async function writtenCodeFaults(
  document: MappingDocument,
  grow: (subject: Subject) => Promise<PayloadTree>,
): Promise<RuleFault[]> {
  const faults: RuleFault[] = [];
  for (const { name, source, words, saying } of SPEAKING) {
    const fields = document.messages[name]?.fields ?? [];
    if (fields.length === 0) continue;
    const written: Written[] = [];
    for (const word of words) written.push({ word, tree: await grow(saying(word)) });
    const own = fields.filter((field) => field.from === source);
    for (const [index, field] of fields.entries()) {
      const found = own.includes(field) ? null : otherFault(field, own, written);
      if (found === null) continue;
      const key = field.from === undefined ? 'constant' : 'from';
      faults.push({
        path: ['messages', name, 'fields', index, key],
        rule: 'code-shared',
        ...found,
      });
    }
  }
  return faults;
}

type Fault = Pick<RuleFault, 'message' | 'remedy'>;

/** A number or a flag is no code by itself: it stands in many a place that is about something else. */
const HAS_LETTER = /\p{L}/u;
const IS_FLAG = /^(?:true|false)$/i;

function otherFault(
  field: FieldMapping,
  own: readonly FieldMapping[],
  written: readonly Written[],
): Fault | null {
  // What a bare path copies says nothing of its own.
  if (field.from !== undefined && barePathSteps(field.from) && field.table === undefined)
    return null;
  for (const good of written.filter(({ word }) => FAVOURABLE.has(word))) {
    const codes = own
      .flatMap(({ to }) => leafTexts(good.tree, to))
      .filter((c) => HAS_LETTER.test(c) && !IS_FLAG.test(c));
    for (const bad of written.filter(({ word }) => !FAVOURABLE.has(word))) {
      const code = sharedText(leafTexts(bad.tree, field.to), codes);
      if (code === undefined) continue;
      return {
        message: `for ${bad.word === UNKNOWN ? 'a word nobody knows' : bad.word} it writes ${JSON.stringify(code)} at ${field.to}, the code of ${good.word}`,
        remedy: `Write something else there: whoever looks there takes it for ${good.word}.`,
      };
    }
  }
  return null;
}

function sharedText(found: readonly string[], codes: readonly string[]): string | undefined {
  return found.find((text) => codes.some((code) => isSameWord(text, code)));
}
