import { describe, expect, it } from 'vitest';
import { encodeSpectrum } from '../../src/checks/assemble-bundle.js';
import { SiteFolderOutdated } from '../../src/errors.js';
import { loadSubject } from '../../src/pipeline/subject-loader.store.js';
import type { Instrument, SiteFolder } from '../../src/site/site-folder.js';
import { reviewOptions } from '../../src/statements/result-review.js';
import { at, curve, goodParts, goodResult, SITE, tampered } from '../checks/fixture.js';
import { siteWith } from '../checks/signal-fixture.js';
import { PASSWORD } from '../support/people.js';
import { ReviewBench } from './review-bench.js';

/** Held results, cleared and refused by signature. */

const OFFSET = { measuredAt: '2026-07-01T12:11:00+02:00' };

async function world() {
  const bench = await ReviewBench.open();
  await bench.announce();
  const reviewer = await bench.person('robin');
  return { bench, reviewer };
}

/** A pass whose offset does not fit its zone. */
async function heldPass() {
  const { bench, reviewer } = await world();
  await bench.settle(goodParts([goodResult(1, OFFSET)]));
  return { bench, reviewer, row: await bench.rowId('R-1') };
}

describe('a held result that is cleared', () => {
  it('is accepted and sent, under a signature that its entry of the trail names with digest', async () => {
    const { bench, reviewer, row } = await heldPass();
    expect(await bench.states()).toEqual(['R-1 held']);
    const answer = await bench.review('clear', row, reviewer);
    expect(answer).toMatchObject({ kind: 'signed', state: 'accepted' });
    if (answer.kind !== 'signed') return;
    const { signature } = answer;
    expect(signature).toMatchObject({
      meaning: 'cleared',
      userName: 'robin',
      printedName: 'Person robin (simulated)',
      zone: 'Europe/London',
      subject: { kind: 'result', id: row, revision: 1 },
      reason: 'the sync log shows it',
      seriesNumber: 1,
      components: 'user-name-and-password',
    });
    expect(await bench.states()).toEqual(['R-1 accepted']);
    expect(await bench.messages()).toEqual(['lims result due']);
    const [entry] = await bench.trail('result.cleared');
    expect(entry).toMatchObject({
      actor_kind: 'person',
      actor: reviewer.accountId,
      subject_id: row,
    });
    expect(JSON.parse(entry?.after ?? '')).toMatchObject({
      state: 'accepted',
      signature: { id: signature.id, digest: signature.digest },
    });
    expect(await bench.found('no-open-discrepancy')).not.toContain('R-1');
  });

  it('cannot be cleared a second time, nor by what was shown before', async () => {
    const { bench, reviewer, row } = await heldPass();
    const shownSha256 = await bench.digest(row);
    await bench.review('clear', row, reviewer);
    const again = { act: 'clear', shownSha256, reason: 'again' } as const;
    expect(await bench.reviews.decide(row, again, reviewer)).toMatchObject({
      why: 'signature-stale',
    });
    expect(await bench.review('clear', row, reviewer)).toMatchObject({ why: 'act-not-possible' });
    expect(await bench.messages()).toHaveLength(1);
  });

  it('is not, also where no receipt is judged by it, once another site folder was activated', async () => {
    const { bench, reviewer } = await world();
    const receipt = { scanned: 'GR-9', entry: 'scanned' } as const;
    await bench.settle(goodParts([goodResult(1, { ...OFFSET, receipt })]));
    const row = await bench.rowId('R-1');
    const folder = { site: SITE.site, digest: 'f'.repeat(64), content: '{}' };
    await bench.db
      .insertInto('site')
      .values({ ...folder, activated_at: at('2026-07-02T08:00:00Z') })
      .execute();
    await expect(bench.review('clear', row, reviewer)).rejects.toThrow(SiteFolderOutdated);
    expect(await bench.states()).toEqual(['R-1 held']);
    expect(await bench.messages()).toEqual([]);
  });

  it('stays contrary when it was: it counts against its receipt and is sent as what it is', async () => {
    const { bench, reviewer } = await world();
    await bench.settle(goodParts([goodResult(1, { ...OFFSET, decision: 'inconclusive' })]));
    const before = await bench.found('no-contrary-result');
    expect(before).toContain('contradicted');
    await bench.review('clear', await bench.rowId('R-1'), reviewer);
    expect(await bench.found('no-contrary-result')).toBe(
      'contradicted: result R-1 on container C-1: inconclusive',
    );
    const [row] = await bench.db.selectFrom('delivery').select('contrary').execute();
    expect(row?.contrary).toBe(1);
  });

  it('is void once the receipt is corrected, shows where, and stands in the way again', async () => {
    const { bench, reviewer, row } = await heldPass();
    await bench.review('clear', row, reviewer);
    await bench.announce({ manufacturer: 'Maker C (simulated)' });
    const about = await bench.reviews.load(row);
    const found = await bench.found('no-open-discrepancy');
    expect(about?.reviewed).toEqual({ kind: 'void', changed: ['/receipt/manufacturer'] });
    expect(found).toContain('a signature that is void: changed at /receipt/manufacturer');
    expect(await bench.found('coverage')).toContain('a signature that is void');
  });
});

describe('a held result that is refused', () => {
  it('stays visible and counted, is not sent, and answers only that it was held', async () => {
    const { bench, reviewer, row } = await heldPass();
    expect(await bench.found('no-open-discrepancy')).toContain('held: result R-1 waits');
    expect(await bench.review('refuse', row, reviewer)).toMatchObject({ state: 'refused' });
    expect(await bench.states()).toEqual(['R-1 refused']);
    expect(await bench.messages()).toEqual([]);
    expect(await bench.found('no-open-discrepancy')).not.toContain('held');
    expect(await bench.found('coverage')).toContain(
      'container C-1 is not covered: result R-1 is refused',
    );
  });

  it('rule 8: a contrary one counts on', async () => {
    const { bench, reviewer } = await world();
    await bench.settle(goodParts([goodResult(1, { ...OFFSET, decision: 'inconclusive' })]));
    await bench.review('refuse', await bench.rowId('R-1'), reviewer);
    expect(await bench.found('no-contrary-result')).toBe(
      'contradicted: result R-1 on container C-1: inconclusive (refused)',
    );
  });

  it('is withdrawn where it was delivered already', async () => {
    const { bench, reviewer } = await world();
    await bench.settle(goodParts([goodResult(1)]));
    await bench.bench.database.transact((trx) =>
      trx.updateTable('delivery').set({ state: 'confirmed' }).execute(),
    );
    const row = await bench.rowId('R-1');
    const about = await bench.reviews.load(row);
    if (about === null) throw new Error('no case');
    expect(reviewOptions(about)).toMatchObject({
      clear: { possible: false, because: ['it is accepted, there is nothing to clear'] },
      refuse: {
        possible: true,
        effects: expect.arrayContaining([
          'it is withdrawn at lims',
          'its receipt is stopped if it conforms, also where another pass covers',
        ]),
      },
    });
    await bench.review('refuse', row, reviewer, 'wrong drum presented');
    expect(await bench.messages()).toEqual(['lims result confirmed', 'lims withdrawal due']);
    const withdrawal = await bench.db.selectFrom('withdrawal').select('reason').executeTakeFirst();
    expect(withdrawal?.reason).toBe('refused by Person robin (simulated): wrong drum presented');
  });
});

describe('a contrary result that is held after it was sent', () => {
  const KNOWN = siteWith();
  const elsewhere = { serial: 'I-3', area: 'other-dock', inService: true };
  const [first] = SITE.instruments;
  const site: SiteFolder = {
    ...KNOWN,
    instruments: [...KNOWN.instruments, { ...(first as Instrument), ...elsewhere }],
  };
  const immersed = { presentation: { kind: 'immersion-probe' as const, probeCover: 'K 7' } };
  const contrary = goodResult(1, { ...immersed, decision: 'inconclusive' });
  const otherMaterial = goodParts(
    [
      goodResult(2, {
        ...immersed,
        receipt: { scanned: 'GR-2', entry: 'scanned' },
        material: 'M-2',
        method: { id: 'ID-M-2', version: '1' },
        decision: 'aborted',
        score: null,
        spectrum: null,
      }),
    ],
    { bundleId: 'B-2' },
  );
  const otherArea = goodParts(
    [goodResult(1, { resultId: 'R-3', measuredAt: contrary.measuredAt }, 3)],
    {
      bundleId: 'B-3',
      instrument: { ...goodParts().instrument, serial: 'I-3' },
    },
  );

  async function sentAs(bench: ReviewBench, state: 'confirmed' | 'rejected') {
    await bench.bench.database.transact((trx) =>
      trx.updateTable('delivery').set({ state }).where('state', '=', 'due').execute(),
    );
  }

  async function ofResult(bench: ReviewBench): Promise<string[]> {
    const rows = await bench.db
      .selectFrom('delivery')
      .select(['message', 'subject_revision', 'state'])
      .where('ordering_key', '=', 'result:R-1')
      .orderBy('seq')
      .execute();
    return rows.map((r) => `${r.message} ${r.subject_revision} ${r.state}`);
  }

  it('goes out under its next revision once it is cleared, behind its withdrawal, as often as that is', async () => {
    const bench = await ReviewBench.open(site);
    await bench.announce();
    const reviewer = await bench.person('robin');
    await bench.settle(goodParts([contrary]));
    const row = await bench.rowId('R-1');
    await sentAs(bench, 'confirmed');
    await bench.settle(otherMaterial);
    expect((await bench.states())[0]).toBe('R-1 held');
    expect(await ofResult(bench)).toEqual(['result 1 confirmed', 'withdrawal 1 due']);
    await sentAs(bench, 'confirmed');
    expect(await bench.review('clear', row, reviewer)).toMatchObject({ state: 'accepted' });
    expect(await ofResult(bench)).toEqual([
      'result 1 confirmed',
      'withdrawal 1 confirmed',
      'result 2 due',
    ]);
    await sentAs(bench, 'confirmed');
    await bench.settle(otherArea);
    expect((await bench.states())[0]).toBe('R-1 held');
    await sentAs(bench, 'confirmed');
    expect(await bench.review('clear', row, reviewer)).toMatchObject({ state: 'accepted' });
    expect(await ofResult(bench)).toEqual([
      'result 1 confirmed',
      'withdrawal 1 confirmed',
      'result 2 confirmed',
      'withdrawal 2 confirmed',
      'result 3 due',
    ]);
    const about = await bench.reviews.load(row);
    expect(about?.reviewed).toEqual({ kind: 'valid' });
    const [third] = await bench.db
      .selectFrom('delivery')
      .selectAll()
      .where('subject_revision', '=', 3)
      .execute();
    if (third === undefined) throw new Error('nothing is sent');
    const subject = await loadSubject(bench.db, third);
    expect(subject).toMatchObject({ attribution: null, record: { resultId: 'R-1', revision: 3 } });
  });

  it('takes the place of what its destination refused before', async () => {
    const bench = await ReviewBench.open(site);
    await bench.announce();
    const reviewer = await bench.person('robin');
    await bench.settle(goodParts([contrary]));
    await sentAs(bench, 'rejected');
    await bench.settle(otherMaterial);
    expect(await ofResult(bench)).toEqual(['result 1 rejected']);
    await bench.review('clear', await bench.rowId('R-1'), reviewer);
    expect(await ofResult(bench)).toEqual(['result 1 superseded', 'result 2 due']);
  });

  it('is withdrawn once when it is refused instead', async () => {
    const bench = await ReviewBench.open(site);
    await bench.announce();
    const reviewer = await bench.person('robin');
    await bench.settle(goodParts([contrary]));
    await sentAs(bench, 'confirmed');
    await bench.settle(otherMaterial);
    await bench.review('refuse', await bench.rowId('R-1'), reviewer);
    expect(await ofResult(bench)).toEqual(['result 1 confirmed', 'withdrawal 1 due']);
    expect(await bench.found('no-contrary-result')).toContain('contradicted: result R-1');
  });
});

describe('nobody clears', () => {
  it('a pass that the recheck disagrees with', async () => {
    const { bench, reviewer } = await world();
    const { axis, intensity } = curve('naphthalene');
    const spectrum = encodeSpectrum(axis, intensity, 'float64');
    await bench.settle(goodParts([goodResult(1, { spectrum })]));
    const row = await bench.rowId('R-1');
    expect(await bench.states()).toEqual(['R-1 held']);
    expect(await bench.review('clear', row, reviewer)).toMatchObject({
      why: 'act-not-possible',
      detail: expect.stringContaining('recheck'),
    });
    expect(await bench.states()).toEqual(['R-1 held']);
    // Refusing it is open, and takes nothing of the doubt away.
    await bench.review('refuse', row, reviewer);
    expect(await bench.found('recheck')).toContain('the recheck disagrees with result R-1');
  });

  it('rule 15: a result on whose receipt they measured anything, however their id is written', async () => {
    const { bench, row } = await heldPass();
    const operator = await bench.person('olga', { operatorIds: ['OP-1'] });
    expect(await bench.review('clear', row, operator)).toMatchObject({ why: 'duty-own-result' });
    expect(await bench.review('refuse', row, operator)).toMatchObject({ why: 'duty-own-result' });
    expect(await bench.states()).toEqual(['R-1 held']);
    const [entry] = await bench.trail('signature.refused');
    expect(entry).toMatchObject({ actor: operator.accountId, subject_id: row });
    expect(entry?.reason).toContain('duty-own-result');
  });

  it('a result of another operator on a receipt they measured something else of', async () => {
    const { bench } = await world();
    const second = goodResult(2, { operatorId: 'op-2' });
    await bench.settle(goodParts([goodResult(1, OFFSET), second]));
    const operator = await bench.person('otto', { operatorIds: ['op-2'] });
    expect(await bench.review('clear', await bench.rowId('R-1'), operator)).toMatchObject({
      why: 'duty-own-result',
    });
  });

  /** Robin measured at R-1, and another operator under the same result id at R-2. */
  async function ofOneId() {
    const { bench, reviewer } = await world();
    await bench.announce({ receiptId: 'R-2', scanText: 'GR-2', containers: ['D-1', 'D-2'] });
    const other = goodResult(1, {
      ...OFFSET,
      receipt: { scanned: 'GR-2', entry: 'scanned' },
      container: { scanned: 'D-1', entry: 'scanned' },
      operatorId: 'op-2',
    });
    await bench.settle(goodParts([goodResult(1, OFFSET)]));
    await bench.settle(goodParts([other], { bundleId: 'B-2' }));
    const operator = await bench.person('olga', { operatorIds: ['op-1'] });
    return { bench, reviewer, operator };
  }

  it('rule 15: a result beside one that they measured, which would be refused with it', async () => {
    const { bench, operator } = await ofOneId();
    const row = await bench.rowId('R-1', 1);
    expect(await bench.review('clear', row, operator)).toMatchObject({ why: 'duty-own-result' });
    expect(await bench.states()).toEqual(['R-1 held', 'R-1 held']);
    // Refusing it leaves their own as it is.
    expect(await bench.review('refuse', row, operator)).toMatchObject({ kind: 'signed' });
  });

  it('rule 15: a result that would supersede one that they measured', async () => {
    const { bench } = await world();
    await bench.announce({ receiptId: 'R-2', scanText: 'GR-2', containers: ['D-1', 'D-2'] });
    const later = goodResult(2, {
      ...OFFSET,
      receipt: { scanned: 'GR-2', entry: 'scanned' },
      container: { scanned: 'D-1', entry: 'scanned' },
      operatorId: 'op-2',
      supersedes: { resultId: 'R-1', reason: 'wrong drum' },
    });
    await bench.settle(goodParts([goodResult(1)]));
    await bench.settle(goodParts([later], { bundleId: 'B-2' }));
    expect(await bench.states()).toEqual(['R-1 accepted', 'R-2 held']);
    const operator = await bench.person('olga', { operatorIds: ['op-1'] });
    const row = await bench.rowId('R-2');
    expect(await bench.review('clear', row, operator)).toMatchObject({ why: 'duty-own-result' });
    expect(await bench.states()).toEqual(['R-1 accepted', 'R-2 held']);
  });

  it('without what the others are in what is signed', async () => {
    const { bench } = await ofOneId();
    const shown = await bench.reviews.show(await bench.rowId('R-1', 1));
    expect(shown?.shown.context).toMatchObject({
      sameId: [{ receiptId: 'R-1', container: 'C-1', decision: 'pass', operator: 'op-1' }],
      supersedes: [],
    });
  });

  it('without the right to', async () => {
    const { bench, row } = await heldPass();
    for (const roles of [['viewer'], ['administrator'], ['signer']] as const) {
      const who = await bench.person(`who-${roles[0]}`, { roles: [...roles] });
      expect(await bench.review('clear', row, who)).toMatchObject({ why: 'right-missing' });
    }
    expect(await bench.states()).toEqual(['R-1 held']);
  });
});

describe('the components of a signature', () => {
  it('are both at first, the password after that, and both again after a refused try', async () => {
    const { bench, reviewer } = await world();
    const results = [1, 2].map((n) => goodResult(n, OFFSET));
    await bench.settle(goodParts(results));
    const [first, second] = [await bench.rowId('R-1'), await bench.rowId('R-2')];
    const passwordOnly = { ...reviewer, userName: null };
    expect(await bench.review('clear', first, passwordOnly)).toEqual({
      kind: 'not-proven',
      why: 'user-name-needed',
    });
    expect(await bench.review('clear', first, reviewer)).toMatchObject({ kind: 'signed' });
    const wrong = { ...passwordOnly, password: `${PASSWORD}!` };
    expect(await bench.review('clear', second, wrong)).toEqual({
      kind: 'not-proven',
      why: 'wrong',
    });
    expect(await bench.review('clear', second, passwordOnly)).toMatchObject({
      why: 'user-name-needed',
    });
    expect(await bench.review('clear', second, reviewer)).toMatchObject({ kind: 'signed' });
    const series = await bench.db
      .selectFrom('signature')
      .select(['series', 'series_number'])
      .orderBy('id')
      .execute();
    expect(new Set(series.map((s) => s.series)).size).toBe(2);
    expect(await bench.trail('signature.refused')).toHaveLength(3);
  });

  it('count on in one sitting', async () => {
    const { bench, reviewer } = await world();
    await bench.settle(goodParts([1, 2].map((n) => goodResult(n, OFFSET))));
    await bench.review('clear', await bench.rowId('R-1'), reviewer);
    const answer = await bench.review('refuse', await bench.rowId('R-2'), {
      ...reviewer,
      userName: null,
    });
    expect(answer).toMatchObject({ signature: { seriesNumber: 2, components: 'password' } });
  });

  it('are of one person: another’s user name or password signs nothing', async () => {
    const { bench, reviewer, row } = await heldPass();
    const other = await bench.person('alex', { password: 'other lantern under nine drums' });
    const mixed = [
      { ...reviewer, userName: 'alex' },
      { ...reviewer, password: other.password },
      { ...reviewer, userName: 'alex', password: other.password },
    ];
    for (const who of mixed) {
      expect(await bench.review('clear', row, who)).toEqual({ kind: 'not-proven', why: 'wrong' });
    }
    expect(await bench.states()).toEqual(['R-1 held']);
    expect(await bench.db.selectFrom('signature').selectAll().execute()).toEqual([]);
  });
});

describe('of two signers at once', () => {
  it('exactly one wins, and the other is told that what was shown is stale', async () => {
    const { bench, reviewer, row } = await heldPass();
    const other = await bench.person('alex');
    const shownSha256 = await bench.digest(row);
    const ask = (act: 'clear' | 'refuse') => ({ act, shownSha256, reason: 'at once' });
    const [a, b] = await Promise.all([
      bench.reviews.decide(row, ask('clear'), reviewer),
      bench.reviews.decide(row, ask('refuse'), other),
    ]);
    expect([a.kind, b.kind].sort()).toEqual(['refused', 'signed']);
    expect([a, b].find((x) => x.kind === 'refused')).toMatchObject({ why: 'signature-stale' });
    expect(await bench.db.selectFrom('signature').selectAll().execute()).toHaveLength(1);
  });
});

describe('a clock that was set back', () => {
  it('signs nothing earlier than the last entry about the record, by name', async () => {
    const { bench, reviewer, row } = await heldPass();
    const shownSha256 = await bench.digest(row);
    bench.bench.clock.advance(-60_000);
    const request = { act: 'clear', shownSha256, reason: 'early' } as const;
    expect(await bench.reviews.decide(row, request, reviewer)).toMatchObject({
      why: 'signature-clock-back',
    });
    expect(await bench.states()).toEqual(['R-1 held']);
  });
});

describe('a result that comes intact after its bundle was held', () => {
  async function held() {
    const { bench, reviewer } = await world();
    const bad = tampered(goodParts([goodResult(1)]), (document) => {
      document['createdAt'] = '2026-07-01T11:58:00Z';
      (document['manifest'] as { counts: Record<string, number> }).counts['results'] = 2;
    });
    await bench.settle(bad);
    expect(await bench.states()).toEqual(['R-1 held']);
    await bench.settle(goodParts([goodResult(1)], { bundleId: 'B-2' }));
    return { bench, reviewer };
  }

  it('is kept beside it, held for the reviewer to choose', async () => {
    const { bench } = await held();
    expect(await bench.states()).toEqual(['R-1 held', 'R-1 held']);
    const second = await bench.reviews.load(await bench.rowId('R-1', 1));
    expect(second?.parts.findings.map((f) => f.code)).toContain('result-repeats-held');
  });

  it('stands once it is cleared, and the copy of the held bundle is refused by the same act', async () => {
    const { bench, reviewer } = await held();
    const first = await bench.rowId('R-1');
    expect(await bench.review('clear', first, reviewer)).toMatchObject({
      why: 'act-not-possible',
      detail: expect.stringContaining('its bundle is held'),
    });
    await bench.review('clear', await bench.rowId('R-1', 1), reviewer);
    expect(await bench.states()).toEqual(['R-1 refused', 'R-1 accepted']);
    expect(await bench.messages()).toEqual(['lims result due']);
    const [entry] = await bench.trail('result.refused');
    expect(entry).toMatchObject({ subject_id: first, actor_kind: 'person' });
    expect((await bench.reviews.load(first))?.reviewed).toEqual({ kind: 'valid' });
  });

  it('is not kept a third time', async () => {
    const { bench } = await held();
    await bench.settle(goodParts([goodResult(1)], { bundleId: 'B-3' }));
    expect(await bench.states()).toHaveLength(2);
  });
});

describe('two contents under one result id', () => {
  it('a reviewer decides which stands; the other is refused with it and the overlap is answered', async () => {
    const { bench, reviewer } = await world();
    await bench.settle(goodParts([goodResult(1, OFFSET)]));
    const other = goodResult(1, { remarks: [{ name: 'note', text: 'edited' }] });
    await bench.settle(goodParts([other], { bundleId: 'B-2' }));
    expect(await bench.states()).toEqual(['R-1 held', 'R-1 held']);
    const open = async () =>
      (await bench.bench.discrepancies()).filter((d) => d.closed_at === null).map((d) => d.class);
    expect(await open()).toEqual(['run-overlap']);
    const answer = await bench.review('clear', await bench.rowId('R-1'), reviewer);
    expect(answer.kind).toBe('signed');
    expect(await bench.states()).toEqual(['R-1 accepted', 'R-1 refused']);
    expect(await open()).toEqual([]);
  });

  it('nobody clears the second while the first stands', async () => {
    const { bench, reviewer } = await world();
    await bench.settle(goodParts([goodResult(1)]));
    const other = goodResult(1, { remarks: [{ name: 'note', text: 'edited' }] });
    await bench.settle(goodParts([other], { bundleId: 'B-2' }));
    expect(await bench.states()).toEqual(['R-1 accepted', 'R-1 held']);
    expect(await bench.review('clear', await bench.rowId('R-1', 1), reviewer)).toMatchObject({
      why: 'act-not-possible',
      detail: expect.stringContaining('another result of its id is accepted'),
    });
  });
});
