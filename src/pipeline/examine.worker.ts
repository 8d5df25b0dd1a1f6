import { workerData } from 'node:worker_threads';
import { loadBundleSchema } from '../checks/bundle-schema.files.js';
import type { SiteFolder } from '../site/site-folder.js';
import { examineUnit } from './examine-unit.js';
import type { ExaminedUnit, ExamineTask } from './examined-unit.js';

const { site } = workerData as { readonly site: SiteFolder };
const validateSchema = loadBundleSchema();

export function examine(task: ExamineTask): ExaminedUnit {
  return examineUnit(task, site, validateSchema);
}
