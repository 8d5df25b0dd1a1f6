import { deserialize, serialize } from 'node:v8';
import type { SiteFolder } from '../site/site-folder.js';
import type { ExamineTask } from './examined-unit.js';

/** A site as threads get it: in memory that they share, and not copied for each unit of work. */
export interface JudgingSite {
  /** Not two sites of one process have the same. */
  readonly id: number;
  readonly bytes: Uint8Array;
}

/** A unit of work as a thread gets it. */
export interface JudgedTask {
  readonly task: ExamineTask;
  readonly site: JudgingSite;
}

/** Sites that a thread keeps: bundles under way are judged by the methods before a change. */
const KEPT_MAX = 3;

const given = new WeakMap<SiteFolder, JudgingSite>();
let lastId = 0;

/** The site for threads of this process. One that changes is another object. */
export function judgingSite(site: SiteFolder): JudgingSite {
  const known = given.get(site);
  if (known !== undefined) return known;
  const text = serialize(site);
  const bytes = new Uint8Array(new SharedArrayBuffer(text.byteLength));
  bytes.set(text);
  lastId += 1;
  const judging = { id: lastId, bytes };
  given.set(site, judging);
  return judging;
}

/** The thread's side: sites by which it judges, the last few of them read and kept. */
export class JudgingSites {
  readonly #kept = new Map<number, SiteFolder>();

  siteOf({ id, bytes }: JudgingSite): SiteFolder {
    const known = this.#kept.get(id);
    this.#kept.delete(id);
    // Copied: what is read from shared memory would lie in it.
    const site = known ?? (deserialize(Buffer.from(bytes)) as SiteFolder);
    this.#kept.set(id, site);
    const [oldest] = this.#kept.keys();
    if (this.#kept.size > KEPT_MAX && oldest !== undefined) this.#kept.delete(oldest);
    return site;
  }
}
