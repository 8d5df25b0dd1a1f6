import type { RuleInfo } from '../rule.js';

/** Applied before the content is digested, since digesting is what an endless list would make dear. */
export const resultsLimit: RuleInfo = {
  code: 'results-limit',
  severity: 'hold',
  scope: 'bundle',
  needs: 'site',
  meaning: 'A list of the bundle is longer than the site takes.',
  advice:
    'Split the bundle at the source, or have limits.resultsPerBundleMax raised in the site folder.',
  limit: 'site.yaml: limits.resultsPerBundleMax',
};
