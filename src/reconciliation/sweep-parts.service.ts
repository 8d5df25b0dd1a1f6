import type { Looking } from '../delivery/looking.service.js';
import type { Instant } from '../formats/instant.js';
import type { MappingDocument } from '../site/mapping-document.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import type { SweepRow } from '../storage/tables.js';
import type { WorkerIdentity } from '../storage/worker-identity.js';
import type { SweepFindings } from './sweep-findings.service.js';

export interface SweepParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly worker: WorkerIdentity;
  readonly looking: Looking;
  /** The mapping in force of each destination. */
  readonly documents: ReadonlyMap<string, MappingDocument>;
  readonly findings: SweepFindings;
  /** Since when there can be anything to sweep. */
  readonly since: Instant;
}

/** What follows a step: the sweep as it stands then, when to go on with it, or null when it has ended. */
export interface Stepped {
  readonly sweep: SweepRow | null;
  readonly waitUntil: Instant | null;
}
