// The senders as a process of their own: as many sync PCs as there are handhelds, each with one keep-alive
// connection, each handing over its bundles one after the other.
import { setTimeout as wait } from 'node:timers/promises';
import { Pool } from 'undici';
import { loadSiteFolder } from '../dist/site/site-folder.files.js';
import { Handhelds } from './bundles.mjs';
import { answerParent, now } from './child.mjs';

let handhelds;
/** Bundles by handheld, made before any clock runs. */
let prepared = [];
let round = '';

answerParent({
  open: async ({ siteFolder }) => {
    const loaded = await loadSiteFolder(siteFolder, {});
    if (!loaded.ok) throw new Error(loaded.faults[0].message);
    handhelds = new Handhelds(loaded.site);
  },
  prepare: (spec) => {
    round = `${spec.round}-${spec.decision ?? 'pass'}`;
    prepared = spec.instruments.map((serial) => handhelds.bundles(serial, spec));
  },
  /** With `pauseMs` a sender waits that long after each bundle. */
  send: async ({ url, path, key, pauseMs = 0 }) => {
    const pool = new Pool(url, { connections: prepared.length, pipelining: 1 });
    const startedAt = now();
    await Promise.all(
      prepared.map((bundles, i) => sendAll(pool, { path, key, pauseMs }, bundles, i)),
    );
    const endedAt = now();
    await pool.close();
    return { startedAt, endedAt };
  },
});

async function sendAll(pool, { path, key, pauseMs }, bundles, sender) {
  for (const [index, body] of bundles.entries()) {
    const answer = await pool.request({
      method: 'POST',
      path,
      headers: {
        'content-type': 'application/json',
        authorization: `Bearer ${key}`,
        'idempotency-key': `"${round}-${sender}-${index}"`,
      },
      body,
    });
    const text = await answer.body.text();
    if (answer.statusCode !== 202) throw new Error(`answered ${answer.statusCode}: ${text}`);
    if (pauseMs > 0) await wait(pauseMs);
  }
}
