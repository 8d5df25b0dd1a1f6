import { JSON_RULES, type JsonRule } from '../../formats/json-fault.js';
import { ZIP_RULES, type ZipRule } from '../../formats/zip.js';
import { ZIP_ADVICE } from '../../intake/open-bundle.js';
import type { RuleInfo } from '../rule.js';

const MEANINGS: Readonly<Record<JsonRule, string>> = {
  size: 'The document is larger than the site takes.',
  encoding: 'The document is not UTF-8.',
  'byte-order-mark': 'The document begins with a byte order mark.',
  syntax: 'The document is not JSON.',
  'duplicate-key': 'An object of the document has one key twice.',
  depth: 'Objects and lists of the document lie too deep inside one another.',
  surrogate: 'A text of the document holds half a character.',
  number: 'A number of the document lies beyond what a double can hold.',
};

/** Rules of strict JSON as check rules; the finding's advice is the JSON fault's remedy. */
const jsonRefusals: readonly RuleInfo[] = JSON_RULES.map((rule) => ({
  code: `json-${rule}`,
  severity: 'hold',
  scope: 'bundle',
  needs: 'document',
  refuses: true,
  meaning: MEANINGS[rule],
  advice: 'Correct what is named at the source and send the bundle again; keep the refused bytes.',
}));

const ZIP_MEANINGS: Readonly<Record<ZipRule, string>> = {
  structure: 'The archive is damaged, or says two things about what it holds.',
  limit: 'The archive, or what it inflates to, is larger than the site takes.',
  name: 'An entry of the archive has a name that no bundle needs, or one that another has too.',
  kind: 'An entry of the archive is no plain file, stored or deflated: encrypted, a link, another method.',
  content: 'The archive has no bundle.json, or it cannot be taken out as it was put in.',
};

const zipRefusals: readonly RuleInfo[] = ZIP_RULES.map((rule) => ({
  code: `zip-${rule}`,
  severity: 'hold',
  scope: 'bundle',
  needs: 'document',
  refuses: true,
  meaning: ZIP_MEANINGS[rule],
  advice: ZIP_ADVICE[rule],
}));

/** Bytes that break one of these are refused: nothing could be asked about them later. */
export const refusals: readonly RuleInfo[] = [
  ...zipRefusals,
  ...jsonRefusals,
  {
    code: 'not-a-bundle',
    severity: 'hold',
    scope: 'bundle',
    needs: 'document',
    refuses: true,
    meaning:
      'The document is not a result bundle of a version this gateway reads, or has no bundle id.',
    advice: 'Send a result bundle of a format and version this gateway reads.',
  },
];
