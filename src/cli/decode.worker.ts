import { workerData } from 'node:worker_threads';
import { loadBundleSchema } from '../checks/bundle-schema.files.js';
import type { SiteFolder } from '../site/site-folder.js';
import { convertFile } from './convert-file.files.js';
import type { ConvertAnswer, ConvertTask } from './convert-task.js';
import { readSpectrumFile } from './spectrum-file.files.js';
import type { SpectrumAnswer, SpectrumTask } from './spectrum-task.js';

const { site } = workerData as { readonly site: SiteFolder | null };
const validateSchema = loadBundleSchema();

export function convert(task: ConvertTask): ConvertAnswer {
  return convertFile(task, { site, validateSchema });
}

export function spectrum(task: SpectrumTask): SpectrumAnswer {
  return readSpectrumFile(task);
}
