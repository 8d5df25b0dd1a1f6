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
  /** All senders at once; with `pauseMs` one bundle at a time, and so long a wait after each. */
  send: async ({ url, path, key, pauseMs = 0 }) => {
    const pool = new Pool(url, { connections: prepared.length, pipelining: 1 });
    const startedAt = now();
    const to = { pool, path, key };
    const answers = [];
    if (pauseMs > 0) await sendInTurn(to, pauseMs);
    else await Promise.all(prepared.map((bundles, i) => sendAll(to, bundles, i, answers)));
    const endedAt = now();
    await pool.close();
    return { startedAt, endedAt, answers };
  },
});

async function sendAll(to, bundles, sender, answers) {
  for (const [index, body] of bundles.entries())
    answers.push(await sendOne(to, body, `${sender}-${index}`));
}

async function sendInTurn(to, pauseMs) {
  const most = Math.max(...prepared.map((bundles) => bundles.length));
  for (let index = 0; index < most; index++) {
    for (const [sender, bundles] of prepared.entries()) {
      if (index >= bundles.length) continue;
      await sendOne(to, bundles[index], `${sender}-${index}`);
      await wait(pauseMs);
    }
  }
}

async function sendOne({ pool, path, key }, body, name) {
  const answer = await pool.request({
    method: 'POST',
    path,
    headers: {
      'content-type': 'application/json',
      authorization: `Bearer ${key}`,
      'idempotency-key': `"${round}-${name}"`,
    },
    body,
  });
  const text = await answer.body.text();
  if (answer.statusCode !== 202) throw new Error(`answered ${answer.statusCode}: ${text}`);
  return text;
}
