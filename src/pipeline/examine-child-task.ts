import type { SiteFolder } from '../site/site-folder.js';
import type { ExaminedUnit, ExamineTask } from './examined-unit.js';

/** What a process for one bundle is given. */
export interface ChildTask {
  readonly task: ExamineTask;
  readonly site: SiteFolder;
}

/** What it says: that it is up, and then how its one unit ended. */
export type ChildWord =
  | { readonly kind: 'ready' }
  | { readonly kind: 'unit'; readonly unit: ExaminedUnit }
  /** A thread ended by it. */
  | { readonly kind: 'died' }
  /** A fault of ours, not the unit's. */
  | { readonly kind: 'fault'; readonly message: string };
