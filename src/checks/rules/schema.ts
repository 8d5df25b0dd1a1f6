import type { RuleInfo } from '../rule.js';

/** Applied before all others: where it finds anything, the document is read only as far as possible. */
export const schema: RuleInfo = {
  code: 'schema',
  severity: 'hold',
  scope: 'bundle',
  needs: 'document',
  meaning: 'The document does not have the shape of a result bundle.',
  advice: 'Correct the field named at the source and send the bundle under a new bundle id.',
};
