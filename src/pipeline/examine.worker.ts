import { loadBundleSchema } from '../checks/bundle-schema.files.js';
import { examineUnit } from './examine-unit.js';
import type { ExaminedUnit } from './examined-unit.js';
import { type JudgedTask, JudgingSites } from './judging-site.pool.js';

const validateSchema = loadBundleSchema();
const sites = new JudgingSites();

export function examine({ task, site }: JudgedTask): ExaminedUnit {
  return examineUnit(task, sites.siteOf(site), validateSchema);
}
