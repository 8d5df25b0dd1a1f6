import { describe, expect, it } from 'vitest';
import { recordAudit } from '../../src/audit/audit.store.js';
import { SEAL_ALGORITHM } from '../../src/audit/chain.js';
import { type SignedCheckpoint, signCheckpoint } from '../../src/audit/checkpoint.js';
import { verifyDatabase } from '../../src/audit/verification.service.js';
import { change, NONE, SITE } from '../audit/sealing-world.js';
import { dropGuard } from '../support/guards.js';
import { temporaryDatabase } from '../support/temp-database.js';
import { reviewedWorld } from './trail-review-world.js';

/** The periodic review of the trail (EU GMP Annex 11, 9; from memory), over a real trail and sealer. */

const world = async () => reviewedWorld(await temporaryDatabase());

type World = Awaited<ReturnType<typeof world>>;

async function trail({ database }: World, action: string) {
  const entries = database.db.selectFrom('audit_entry').selectAll().where('action', '=', action);
  return entries.orderBy('id').execute();
}

describe('a review of the trail', () => {
  it('shows counts, root and verdict of what was sealed, and is signed with its findings', async () => {
    const made = await world();
    const signer = await made.person('sam');
    const { record } = await made.look();
    const verified = await verifyDatabase(made.database.db, SITE, NONE);
    expect(record).toMatchObject({ first: 0, last: record.entries - 1, root: verified.root });
    expect(record.actions).toContainEqual({ name: 'thing.changed', count: 5 });
    expect(record.people).toContainEqual({ name: 'cli cli', count: 5, userName: null });
    expect(record.verification).toMatchObject({ faults: [], faultCount: 0 });
    const answer = await made.sign(signer);
    expect(answer).toMatchObject({
      kind: 'signed',
      range: { first: 0, last: record.last },
      signature: { meaning: 'reviewed', reason: 'nothing unexpected' },
    });
    const [entry] = await trail(made, 'trail.reviewed');
    expect(entry).toMatchObject({ actor: signer.accountId, reason: 'nothing unexpected' });
    expect(JSON.parse(entry?.after ?? '')).toMatchObject({ first: 0, root: verified.root });
    const { reviews, faults } = await made.reviews.list();
    expect(faults).toEqual([]);
    expect(reviews).toMatchObject([{ first: 0, last: record.last, userName: 'sam' }]);
  });

  it('begins behind the one before, and is refused when nothing or another range is due', async () => {
    const made = await world();
    const signer = await made.person('sam');
    const first = await made.look();
    await made.sign(signer);
    expect(await made.reviews.show(null)).toBeNull();
    expect(await made.sign(signer, Promise.resolve(first))).toEqual({ kind: 'unknown' });
    await made.sealer.sealAll();
    const second = await made.look();
    expect(second.record).toMatchObject({ first: first.last + 1, earlierCount: 1 });
    expect(second.record.earlier).toMatchObject([
      { rootAgrees: true, findings: 'nothing unexpected' },
    ]);
    // The clock stands at the seal of the review: the act itself is among what is reviewed next.
    expect(second.record.actions.map((a) => a.name)).toContain('trail.reviewed');
    expect(await made.sign(signer)).toMatchObject({ kind: 'signed' });
    expect((await made.reviews.list()).faults).toEqual([]);
    expect(await made.reviews.show(10_000)).toBeNull();
    expect(await made.reviews.show(first.last)).toBeNull();
  });

  it('takes the same digest again while the trail grows, and of two at once one', async () => {
    const made = await world();
    const [sam, tia] = [await made.person('sam'), await made.person('tia')];
    const { last, shownSha256 } = await made.look();
    await change(made.database, 4, made.clock);
    await made.sealer.sealAll();
    made.clock.advance(1000);
    const request = { last, shownSha256, findings: 'none' };
    const answers = await Promise.all([
      made.reviews.sign(request, sam),
      made.reviews.sign(request, tia),
    ]);
    const kinds = answers.map((a) => (a.kind === 'refused' ? a.why : a.kind)).sort();
    expect(kinds[0]).toBe('signature-stale');
    expect(kinds[1]).toBe('signed');
    expect((await made.reviews.list()).reviews).toHaveLength(1);
  });

  it('is refused of another digest, by another’s password, and without the right', async () => {
    const made = await world();
    const signer = await made.person('sam');
    const viewer = await made.person('vera', ['viewer']);
    const { last } = await made.look();
    const other = Promise.resolve({ ...(await made.look()), last, shownSha256: '0'.repeat(64) });
    expect(await made.sign(signer, other)).toMatchObject({ why: 'signature-stale' });
    expect(await made.sign(viewer)).toMatchObject({ why: 'right-missing' });
    expect(await made.sign({ ...signer, password: 'wrong' })).toMatchObject({ kind: 'not-proven' });
    expect(await made.database.db.selectFrom('trail_review').selectAll().execute()).toEqual([]);
    expect(await trail(made, 'trail.reviewed')).toEqual([]);
    expect(await trail(made, 'signature.refused')).toHaveLength(3);
  });

  it('says that an entry was changed, also one that was reviewed before', async () => {
    const made = await world();
    const signer = await made.person('sam');
    await made.sign(signer);
    await change(made.database, 3, made.clock);
    await made.sealer.sealAll();
    const before = await made.look();
    await dropGuard(made.database, 'audit_entry', 'update');
    await made.database.transact((trx) =>
      trx.updateTable('audit_entry').set({ reason: 'other' }).where('sequence', '=', 2).execute(),
    );
    const { record } = await made.look();
    expect(record.verification.faults[0]).toMatch(/^edited: entry 2 /);
    expect(record.earlier).toMatchObject([{ rootAgrees: false }]);
    expect(await made.sign(signer, Promise.resolve(before))).toMatchObject({
      why: 'signature-stale',
    });
    // It can be signed as it is: the finding is what a review is for.
    expect(await made.sign(signer, made.look(), 'entry 2 was changed')).toMatchObject({
      kind: 'signed',
    });
  });

  it('shows what a life lost that a restore ended, of every range from there on', async () => {
    const database = await temporaryDatabase();
    const lost = lostCheckpoint(40);
    const made = await reviewedWorld(database, 5, { keys: [], outside: [lost] });
    const signer = await made.person('sam');
    expect((await made.sign(signer)).kind).toBe('signed');
    await database.transact((trx) =>
      recordAudit(trx, {
        site: SITE,
        zone: 'Europe/Berlin',
        at: made.clock.now(),
        actor: { kind: 'system', name: 'start' },
        action: 'instance.recovering',
        subjectKind: 'instance',
        subjectId: lost.checkpoint.instance,
        after: { epoch: 2, cause: 'restored', sealed: 5 },
      }),
    );
    for (let n = 0; n < 2; n += 1) {
      made.clock.advance(300_000);
      await made.sealer.sealAll();
      const { verification } = (await made.look()).record;
      expect(verification.faults).toEqual([]);
      expect(verification.remarks[0]).toMatch(/^life-ended: life 1 ended at entry 5.*5 to 39/);
      expect((await made.sign(signer)).kind).toBe('signed');
    }
  });

  it('cannot be cut out, changed or doubled unseen', async () => {
    const made = await world();
    await made.sign(await made.person('sam'));
    const rows = made.database.db.selectFrom('trail_review').selectAll();
    const [row] = await rows.execute();
    if (!row) throw new Error('nothing was signed');
    const write = (work: Parameters<typeof made.database.transact>[0]) =>
      made.database.transact(work as never);
    await expect(write((trx) => trx.deleteFrom('trail_review').execute())).rejects.toThrow(/kept/);
    await dropGuard(made.database, 'trail_review', 'update');
    await dropGuard(made.database, 'trail_review', 'delete');
    await write((trx) =>
      trx
        .updateTable('trail_review')
        .set({ last: row.last - 1 })
        .execute(),
    );
    expect((await made.reviews.list()).faults).toHaveLength(1);
    await write((trx) =>
      trx
        .insertInto('trail_review')
        .values({ ...row, id: 'x' })
        .execute(),
    );
    expect((await made.reviews.list()).faults.join()).toContain('overlaps');
    await write((trx) => trx.deleteFrom('trail_review').execute());
    expect((await made.reviews.list()).faults.join()).toMatch(/^a signature .* has no review$/);
  });
});

/** One kept outside of a life that came to so many entries. */
function lostCheckpoint(size: number): SignedCheckpoint {
  const hash = '0'.repeat(64);
  const of = { algorithm: SEAL_ALGORITHM, site: SITE, instance: 'i', epoch: 1, size } as const;
  const time = '2026-11-25T09:00:00.000000Z';
  const cause = 'entries';
  return signCheckpoint(
    { ...of, root: hash, head: hash, time, cause, previous: null, retires: null },
    [],
  );
}
