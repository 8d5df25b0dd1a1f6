import { sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import { kyselyOn, transactingOn } from '../../src/storage/open-postgres.js';
import { openPool } from '../../src/storage/postgres-pool.js';
import { prepared } from '../../src/storage/prepared.js';
import { sideBySide } from '../../src/storage/side-by-side.js';
import { throughProxy } from '../support/postgres-server.js';

const say = prepared((db, of: { readonly text: string }) => ({
  compile: () => sql<{ said: string }>`select cast(${of.text} as text) as said`.compile(db),
}));

describe('queries asked side by side of a server', () => {
  it('have all left before the first is answered', async () => {
    const { url, proxy } = await throughProxy();
    const pool = openPool({
      url,
      connectionsMax: 1,
      applicationName: `drumline-beside-${process.pid}`,
      isBounded: true,
    });
    const { db, transact } = transactingOn(kyselyOn(pool));
    const texts = ['one of three', 'two of three', 'three of three'];
    try {
      const answers = await transact(async (trx) => {
        await say(trx, { text: 'before them' });
        const [answered] = await Promise.all([
          sideBySide(
            trx,
            texts.map((text) => () => say(trx, { text })),
          ),
          proxy.holdAnswersUntil(texts),
        ]);
        return answered.map(({ rows }) => rows[0]?.said);
      });
      expect(answers).toEqual(texts);
    } finally {
      await db.destroy();
      await proxy.close();
    }
  });
});
