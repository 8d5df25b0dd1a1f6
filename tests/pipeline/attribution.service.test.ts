import { describe, expect, it } from 'vitest';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import { latestStatement } from '../../src/statements/statements.store.js';
import { goodParts, goodResult } from '../checks/fixture.js';
import { AttributionBench, FAIL, LABELS_OF_D1 } from './attribution-bench.js';
import { ended } from './review-bench.js';

/** Release-safety rule 25: what was scanned for one receipt and measured on another. */

async function world(over: Parameters<typeof goodResult>[1] = FAIL) {
  const bench = await AttributionBench.open();
  const [first, second] = [await bench.reviews.person('robin'), await bench.reviews.person('sam')];
  await bench.reviews.settle(goodParts([goodResult(1, over), goodResult(2)]));
  return { bench, first, second, row: await bench.reviews.rowId('R-1') };
}

describe('rule 25: wrong lot typed', () => {
  it('counts at both receipts while it is proposed, and moves by a second person’s signature only', async () => {
    const { bench, first, second, row } = await world();
    expect(await bench.contrary('R-1')).toContain('contradicted');
    expect(await bench.contrary('R-2')).toContain('met');
    const id = await bench.propose(row, first);
    expect(await bench.contrary('R-1')).toContain('contradicted: result R-1 on container C-1');
    expect(await bench.contrary('R-2')).toBe(
      'contradicted: result R-1 on container D-1: fail, proposed for this receipt, nobody signed yet',
    );
    expect(await bench.open()).toEqual(['attribution-open R-1', 'attribution-open R-2']);
    expect(await bench.places()).toEqual(['R-1 R-1/C-1 rev 1', 'R-2 R-1/C-2 rev 1']);

    const answer = await bench.decide(id, second);
    expect(answer).toMatchObject({
      kind: 'signed',
      state: 'signed',
      revision: 2,
      signature: { meaning: 'attributed', subject: { kind: 'attribution', id } },
    });
    expect(await bench.places()).toEqual(['R-1 R-2/D-1 rev 2', 'R-2 R-1/C-2 rev 1']);
    expect(await bench.contrary('R-1')).toBe('met: no contrary result');
    expect(await bench.contrary('R-2')).toBe('contradicted: result R-1 on container D-1: fail');
    expect(await bench.open()).toEqual([]);
    const result = await bench.db
      .selectFrom('result')
      .select(['result_id', 'receipt_scanned', 'container_scanned', 'lot', 'record'])
      .where('id', '=', row)
      .executeTakeFirstOrThrow();
    // What was reported stays as it was reported.
    expect(result).toMatchObject({ receipt_scanned: 'GR-1', container_scanned: 'C-1', lot: 'L-1' });
    expect(JSON.parse(result.record ?? '')).toMatchObject({
      receipt: { scanned: 'GR-1', entry: 'scanned' },
      container: { scanned: 'C-1', entry: 'scanned' },
    });
    const [entry] = await bench.reviews.trail('result.attributed');
    expect(entry).toMatchObject({ actor: second.accountId, subject_id: row });
    expect(JSON.parse(entry?.before ?? '')).toMatchObject({ receiptId: 'R-1', revision: 1 });
    expect(JSON.parse(entry?.after ?? '')).toMatchObject({ receiptId: 'R-2', revision: 2 });
  });

  it('withdraws at the old before it posts to the new, in the order of the result’s key', async () => {
    const { bench, first, second, row } = await world();
    await bench.deliver();
    await bench.decide(await bench.propose(row, first), second);
    expect(await bench.messages()).toEqual([
      'result 1 R-1 confirmed',
      'withdrawal 1 R-1 due',
      'result 2 R-2 due',
      'result 1 R-1 confirmed',
    ]);
    const [withdrawal] = await bench.db.selectFrom('withdrawal').selectAll().execute();
    expect(withdrawal).toMatchObject({ result_row_id: row, result_revision: 1, receipt_id: 'R-1' });
    expect(withdrawal?.reason).toContain('attributed to D-1 of receipt R-2 by Person sam');
    // The old receipt waits for the withdrawal, the new one for the result.
    expect(await bench.reviews.found('deliveries-confirmed', 'R-1')).toContain('unmet');
  });

  it('sends what never left under the new receipt only', async () => {
    const { bench, first, second, row } = await world();
    await bench.decide(await bench.propose(row, first), second);
    expect((await bench.messages()).slice(0, 2)).toEqual([
      'result 1 R-1 cancelled',
      'result 2 R-2 due',
    ]);
    expect(await bench.db.selectFrom('withdrawal').selectAll().execute()).toEqual([]);
  });

  it('frees the key of what the destination had refused, and withdraws what may be on its way', async () => {
    const refused = await world();
    await refused.bench.deliver('rejected');
    await refused.bench.decide(
      await refused.bench.propose(refused.row, refused.first),
      refused.second,
    );
    expect((await refused.bench.messages()).slice(0, 2)).toEqual([
      'result 1 R-1 superseded',
      'result 2 R-2 due',
    ]);
    const sending = await world();
    await sending.bench.deliver('sending');
    await sending.bench.decide(
      await sending.bench.propose(sending.row, sending.first),
      sending.second,
    );
    expect((await sending.bench.messages()).slice(0, 3)).toEqual([
      'result 1 R-1 sending',
      'withdrawal 1 R-1 due',
      'result 2 R-2 due',
    ]);
  });

  it('moves one that was taken back and withdrawn before, and withdraws it no second time', async () => {
    const { bench, first, second, row } = await world({});
    await bench.deliver();
    const anew = goodResult(3, {
      supersedes: { resultId: 'R-1', reason: 'measured again' },
      container: { scanned: 'C-1', entry: 'scanned' },
    });
    await bench.reviews.settle(goodParts([anew], { bundleId: 'B-2' }));
    const withdrawn = ['result 1 R-1 confirmed', 'withdrawal 1 R-1 due'];
    expect((await bench.messages()).slice(0, 2)).toEqual(withdrawn);
    const id = await bench.propose(row, first);
    expect(await bench.decide(id, second)).toMatchObject({ kind: 'signed', revision: 2 });
    expect((await bench.messages()).filter((m) => m.startsWith('withdrawal'))).toHaveLength(1);
  });

  it('is withdrawn once for each place it was sent from', async () => {
    const { bench, first, second, row } = await world();
    await bench.deliver();
    await bench.decide(await bench.propose(row, first), second);
    await bench.deliver();
    const back = {
      receiptId: 'R-1',
      seen: { receipt: 'GR-1', container: 'C-2', lot: 'L-1', seenBy: 'Lena (simulated)' },
      reason: 'the photo was of another drum',
    };
    await bench.decide(await bench.propose(row, first, back), second);
    expect(await bench.places()).toEqual(['R-1 R-1/C-2 rev 3', 'R-2 R-1/C-2 rev 1']);
    expect((await bench.messages()).slice(0, 5)).toEqual([
      'result 1 R-1 confirmed',
      'withdrawal 1 R-1 confirmed',
      'result 2 R-2 confirmed',
      'withdrawal 2 R-2 due',
      'result 3 R-1 due',
    ]);
  });
});

describe('a pass that was measured on another drum', () => {
  it('covers there by the labels that were read, and nothing where it was scanned', async () => {
    const { bench, first, second, row } = await world({});
    expect(await bench.reviews.found('coverage', 'R-1')).toContain('2 of 2');
    const id = await bench.propose(row, first);
    // A doubt about what covers a drum is news at once, and nothing covers by being proposed.
    expect(await bench.open()).toEqual(['attribution-open R-1']);
    expect(await bench.reviews.found('coverage', 'R-2')).toContain('container D-1 is not covered');
    await bench.decide(id, second);
    expect(await bench.reviews.found('coverage', 'R-1')).toContain('container C-1 is not covered');
    expect(await bench.reviews.found('coverage', 'R-2')).not.toContain('container D-1');
    expect(await bench.reviews.found('labels-verified', 'R-2')).not.toContain('container D-1');
  });

  it('covers in a part of that receipt only under the lot that was read, also where the lot was supplied later', async () => {
    const { bench, first, second, row } = await world({});
    const unnamed = { supplierLot: null, siteLot: null };
    await bench.announceSecond(unnamed);
    await bench.decide(await bench.propose(row, first), second);
    const parts = ['D-1', 'D-2'].map((label, i) => ({
      receiptId: `R-${3 + i}`,
      scanText: `GR-${3 + i}`,
      containers: [label],
    }));
    const split = { receiptId: 'R-2', seen: null, parts };
    await bench.reviews.change((c, trx, by) => c.split(trx, split, by));
    const part = { receiptId: 'R-3', scanText: 'GR-3', containers: ['D-1'], dockCount: 1 };
    expect(await bench.reviews.found('coverage', 'R-3')).toContain('met: 1 of 1');
    await bench.announceSecond({ ...part, ...unnamed, siteLot: 'L-9' });
    expect(await bench.reviews.found('coverage', 'R-3')).toContain('names lot L-2');
  });

  it('has to be reviewed again: what was signed about it was of another place', async () => {
    const offset = { measuredAt: '2026-07-01T12:11:00+02:00' };
    const { bench, first, second, row } = await world(offset);
    await bench.reviews.review('clear', row, first);
    await bench.decide(await bench.propose(row, first), second);
    expect(await bench.reviews.found('no-open-discrepancy', 'R-2')).toContain(
      'result R-1 was cleared by a signature that is void',
    );
    expect(await bench.reviews.found('coverage', 'R-2')).toContain('container D-1 is not covered');
  });
});

describe('a contrary result without an owner', () => {
  it('rule 10: gets one, which closes the evidence that blocked by its scope', async () => {
    const unknown = { ...FAIL, receipt: { scanned: 'GR-?', entry: 'typed' } as const };
    const { bench, first, second, row } = await world(unknown);
    expect(await bench.open()).toEqual(['contrary-unowned null']);
    const id = await bench.propose(row, first);
    expect(await bench.open()).toEqual(['contrary-unowned null', 'attribution-open R-2']);
    const answer = await bench.decide(id, second);
    if (answer.kind !== 'signed') throw new Error(JSON.stringify(answer));
    expect(await bench.open()).toEqual([]);
    const closed = (await bench.reviews.bench.discrepancies()).find(
      (d) => d.class === 'contrary-unowned',
    );
    expect(closed?.closing_evidence).toBe(`signature:${answer.signature.id}`);
    expect(await bench.contrary('R-2')).toContain('contradicted: result R-1 on container D-1');

    // The receipt is corrected: the labels were compared with something else.
    await bench.announceSecond({ manufacturer: 'Maker C (simulated)' });
    expect(await bench.watch.round()).toBe(true);
    expect(await bench.open()).toEqual(['contrary-unowned null']);
    expect(await bench.reviews.found('no-open-discrepancy', 'R-1')).toContain('contrary-unowned');
    expect(await bench.watch.round()).toBe(false);
    await bench.decide(await bench.propose(row, first), second);
    expect(await bench.open()).toEqual([]);
    expect(await bench.places()).toContain('R-1 R-2/D-1 rev 2');
  });
});

describe('a receipt whose containers came again under another', () => {
  it('stops that one in the transaction that gives it a contrary result', async () => {
    const { bench, first, second, row } = await world();
    await bench.announceSecond({
      receiptId: 'R-3',
      scanText: 'GR-3',
      comesFrom: { receiptId: 'R-2', as: 'returned' },
    });
    await bench.decide(await bench.propose(row, first), second);
    const { document } = (await bench.db
      .selectFrom('statement')
      .select('document')
      .where('receipt_id', '=', 'R-3')
      .orderBy('revision', 'desc')
      .executeTakeFirst()) ?? { document: '' };
    // What was stored by then, which is not what a question would be answered.
    expect(document).toContain('1 contrary results stand there; no signed act answers for it');
  });

  it('is in doubt again when the signature is void that took the contrary result from where they were', async () => {
    const bench = await AttributionBench.open();
    const [first, second] = [
      await bench.reviews.person('robin'),
      await bench.reviews.person('sam'),
    ];
    const back = { receiptId: 'R-1', as: 'returned' } as const;
    await bench.announceSecond({ receiptId: 'R-3', scanText: 'GR-3', comesFrom: back });
    await bench.reviews.settle(goodParts([goodResult(1, FAIL), goodResult(2)]));
    const origin = () => bench.reviews.found('receipt-undivided', 'R-3');
    expect(await origin()).toContain('1 contrary results stand there');
    await bench.decide(await bench.propose(await bench.reviews.rowId('R-1'), first), second);
    expect(await origin()).toBe('met: came of R-1 (returned)');
    await bench.announceSecond({ manufacturer: 'Maker Z (simulated)' });
    expect(await bench.watch.round()).toBe(true);
    const { document } = await bench.db
      .selectFrom('statement')
      .select('document')
      .where('receipt_id', '=', 'R-3')
      .orderBy('revision', 'desc')
      .executeTakeFirstOrThrow();
    expect(document).toContain('1 contrary results stand there');
    expect(await origin()).toContain('1 contrary results stand there');
  });
});

describe('a drum with a serial number that another receipt lists too', () => {
  const DRUM = '(01)09521234543213(21)0007';
  const drum = { container: { scanned: DRUM, entry: 'scanned' } as const };

  it.each([
    ['as it was scanned', false],
    ['under a label that was printed anew', true],
  ])(
    'is in doubt %s until a signature says that another was measured, and again when that is void',
    async (_how, isRelabelled) => {
      const bench = await AttributionBench.open();
      const [first, second] = [
        await bench.reviews.person('robin'),
        await bench.reviews.person('sam'),
      ];
      await bench.announceSecond({ receiptId: 'R-3', scanText: 'GR-3', containers: [DRUM, 'C-2'] });
      if (isRelabelled) {
        const of = {
          receiptId: 'R-3',
          seen: null,
          from: DRUM,
          to: 'N-1',
          witness: 'second person',
        };
        await bench.reviews.change((c, trx, by) => c.relabel(trx, of, by));
      }
      await bench.reviews.change((c, trx, by) =>
        c.cancel(trx, { receiptId: 'R-3', seen: null }, by),
      );
      await bench.announceSecond({ receiptId: 'R-4', scanText: 'GR-4', containers: [DRUM, 'C-9'] });
      const stored = async () => {
        const { document } = await bench.db
          .selectFrom('statement')
          .select('document')
          .where('receipt_id', '=', 'R-4')
          .orderBy('revision', 'desc')
          .executeTakeFirstOrThrow();
        return document;
      };
      const scanned = { receipt: { scanned: 'GR-3', entry: 'scanned' } as const };
      const label = isRelabelled
        ? { container: { scanned: 'N-1', entry: 'scanned' } as const }
        : drum;
      await bench.reviews.settle(goodParts([goodResult(1, { ...FAIL, ...scanned, ...label })]));
      const row = await bench.reviews.rowId('R-1');
      const there = '1 contrary results stand there';
      expect(await stored()).toContain(there);
      const answer = await bench.decide(await bench.propose(row, first), second);
      expect(answer).toMatchObject({ kind: 'signed' });
      expect(await stored()).not.toContain(there);
      await bench.announceSecond({ manufacturer: 'Maker Z (simulated)' });
      expect(await bench.watch.round()).toBe(true);
      expect(await stored()).toContain(there);
    },
  );
});

describe('a signature that is void', () => {
  it('gives back what it took away: the contrary result counts at both until somebody signs again', async () => {
    const { bench, first, second, row } = await world();
    await bench.decide(await bench.propose(row, first), second);
    await bench.announceSecond({ supplier: 'Trader D (simulated)' });
    expect(await bench.contrary('R-1')).toBe(
      'contradicted: result R-1 on container C-1: fail, taken from this receipt by a signature that is void',
    );
    expect(await bench.contrary('R-2')).toContain('contradicted');
    expect(await bench.reviews.found('no-open-discrepancy', 'R-2')).toContain(
      'attributed by a signature that is void: changed at /to/expects/supplier',
    );
    const again = await bench.propose(row, first);
    const answer = await bench.decide(again, second);
    expect(answer).toMatchObject({ kind: 'signed', revision: 2 });
    expect(await bench.contrary('R-1')).toBe('met: no contrary result');
    expect(await bench.contrary('R-2')).toContain('contradicted');
  });

  it('is found by the next round of work, which evaluates the receipts it stood between', async () => {
    const { bench, first, second, row } = await world();
    await bench.decide(await bench.propose(row, first), second);
    const version = async () =>
      (
        await bench.db
          .selectFrom('receipt')
          .select('facts_version')
          .where('id', '=', 'R-1')
          .executeTakeFirstOrThrow()
      ).facts_version;
    const before = await version();
    // A revision that the signature does not rest on voids nothing.
    await bench.announceSecond({ quantity: '75 kg' });
    expect(await bench.watch.round()).toBe(false);
    await bench.announceSecond({ quantity: '75 kg', manufacturer: 'Maker C (simulated)' });
    expect(await bench.watch.round()).toBe(true);
    expect(await version()).toBeGreaterThan(before);
    expect(await bench.reviews.trail('attribution.void')).toHaveLength(1);
  });
});

describe('a signature that is void where the receipt it took from was split since', () => {
  const parts = [
    { receiptId: 'R-3', scanText: 'GR-3', containers: ['C-1'] },
    { receiptId: 'R-4', scanText: 'GR-4', containers: ['C-2'] },
  ];

  it('gives back what it took away to what went on from it, over several changes', async () => {
    const { bench, first, second, row } = await world();
    await bench.decide(await bench.propose(row, first), second);
    const split = { receiptId: 'R-1', seen: null, parts };
    expect(await bench.reviews.change((c, trx, by) => c.split(trx, split, by))).toMatchObject({
      ok: true,
    });
    const merge = { receiptId: 'R-5', scanText: 'GR-5', parts: ['R-3', 'R-4'] };
    expect(await bench.reviews.change((c, trx, by) => c.merge(trx, merge, by))).toMatchObject({
      ok: true,
    });
    for (const receipt of ['R-3', 'R-4', 'R-5']) {
      expect(await bench.contrary(receipt)).toBe('met: no contrary result');
    }
    await bench.announceSecond({ supplier: 'Trader D (simulated)' });
    for (const receipt of ['R-3', 'R-5']) {
      expect(await bench.contrary(receipt)).toBe(
        'contradicted: result R-1 on container C-1: fail, taken from this receipt by a signature that is void',
      );
    }
    // The container it was measured on went elsewhere.
    expect(await bench.contrary('R-4')).toBe('met: no contrary result');
    await bench.decide(await bench.propose(row, first), second);
    expect(await bench.contrary('R-5')).toBe('met: no contrary result');
  });

  it('is found by the next round of work, which evaluates what went on from it', async () => {
    const { bench, first, second, row } = await world();
    await bench.decide(await bench.propose(row, first), second);
    const split = { receiptId: 'R-1', seen: null, parts };
    await bench.reviews.change((c, trx, by) => c.split(trx, split, by));
    await bench.announceSecond({ supplier: 'Trader D (simulated)' });
    expect(await bench.watch.round()).toBe(true);
    const latest = await latestStatement(bench.db, bench.reviews.bench.site.site, 'R-3');
    expect(latest?.outcome).toBe('does-not-conform');
  });
});

describe('nobody signs', () => {
  it('what they proposed, what they measured, or without the right; and none of it moves anything', async () => {
    const { bench, first, row } = await world();
    const id = await bench.propose(row, first);
    const operator = await bench.reviews.person('oona', { operatorIds: ['OP-1'] });
    const viewer = await bench.reviews.person('vic', { roles: ['viewer'] });
    expect(await bench.decide(id, first)).toMatchObject({ why: 'duty-own-proposal' });
    expect(await bench.decide(id, operator)).toMatchObject({ why: 'duty-own-result' });
    expect(await bench.decide(id, viewer)).toMatchObject({ why: 'right-missing' });
    await ended(bench.reviews, 'robin');
    const predecessor = { userName: 'robin', reason: 'came back' };
    const again = await bench.reviews.person('robin2', { predecessor });
    expect(await bench.decide(id, again)).toMatchObject({ why: 'duty-own-proposal' });
    expect(await bench.places()).toContain('R-1 R-1/C-1 rev 1');
    expect(await bench.reviews.trail('signature.refused')).toHaveLength(4);
  });

  it('against labels that do not lead to a listed container', async () => {
    const { bench, first, row } = await world();
    const proposer = { accountId: first.accountId ?? '', printedName: 'robin', source: null };
    const seen = LABELS_OF_D1.seen;
    for (const [change, words] of [
      [{ receiptId: 'R-9' }, 'nobody announced receipt R-9'],
      [{ seen: { ...seen, container: 'D-9' } }, 'lists no container "D-9"'],
      [{ seen: { ...seen, receipt: 'GR-1' } }, 'the label shows receipt "GR-1"'],
      [{ seen: { ...seen, lot: 'L-1' } }, 'the label shows lot "L-1"'],
      [{ seen: { ...seen, lot: null } }, 'say which lot the label shows'],
      [{ seen: { ...seen, seenBy: 'OP-1' } }, 'who measured it cannot be who looked'],
      [
        { receiptId: 'R-1', seen: { ...seen, receipt: 'GR-1', container: 'C-1', lot: 'L-1' } },
        'it belongs there already',
      ],
    ] as const) {
      const answer = await bench.attributions.propose(
        row,
        { ...LABELS_OF_D1, ...change },
        proposer,
      );
      expect(answer).toMatchObject({ kind: 'refused', detail: expect.stringContaining(words) });
    }
    expect(await bench.db.selectFrom('attribution').selectAll().execute()).toEqual([]);
    expect(await bench.open()).toEqual([]);
  });
});

describe('whoever measured on either receipt', () => {
  const proposeBy = async (bench: AttributionBench, row: string, who: SigningRequest) => {
    const proposer = { accountId: who.accountId ?? '', printedName: 'Oona', source: null };
    return bench.attributions.propose(row, LABELS_OF_D1, proposer);
  };

  it('does not even propose where a result of their own belongs, nor one beside it', async () => {
    const { bench, row } = await world();
    const operator = await bench.reviews.person('oona', { operatorIds: ['op-1 '] });
    expect(await proposeBy(bench, row, operator)).toMatchObject({ why: 'duty-own-result' });
    expect(await bench.attributions.proposeAs(row, LABELS_OF_D1, operator)).toMatchObject({
      why: 'duty-own-result',
    });
    expect(await bench.db.selectFrom('attribution').selectAll().execute()).toEqual([]);
    expect(await bench.open()).toEqual([]);
  });

  it.each([
    ['at the receipt it is at', {}],
    [
      'at the receipt it would come to',
      {
        receipt: { scanned: 'GR-2', entry: 'scanned' },
        container: { scanned: 'D-2', entry: 'scanned' },
        lot: 'L-2',
      },
    ],
  ] as const)('is told so too when they measured something else %s', async (_where, place) => {
    const bench = await AttributionBench.open();
    const [own, other] = [goodResult(1, FAIL), goodResult(2, { operatorId: 'op-9', ...place })];
    await bench.reviews.settle(
      goodParts([own, other], {
        operators: ['op-1', 'op-9'].map((id) => ({ id, name: `Operator ${id} (simulated)` })),
      }),
    );
    const row = await bench.reviews.rowId('R-1');
    const beside = await bench.reviews.person('oona', { operatorIds: ['OP-9'] });
    expect(await proposeBy(bench, row, beside)).toMatchObject({ why: 'duty-own-result' });
  });

  it.each([
    ['user name', 'oona'],
    ['user name, written otherwise', ' OONA'],
    ['printed name', 'Person oona (simulated)'],
    ['printed name, spaced and signed otherwise', 'person  Oona, simulated'],
    ['printed name, with a sign that nobody sees', 'Person oo\u200bna (simulated)'],
    ['second id', 'op_1b'],
    ['second id, with a letter for the digit', 'OP-lB'],
  ])('is not who looked at the labels, named by their %s', async (_by, seenBy) => {
    const { bench, first, row } = await world();
    await bench.reviews.person('oona', { operatorIds: ['OP-1', 'OP-1B'] });
    const proposer = { accountId: first.accountId ?? '', printedName: 'robin', source: null };
    const seen = { ...LABELS_OF_D1.seen, seenBy };
    expect(
      await bench.attributions.propose(row, { ...LABELS_OF_D1, seen }, proposer),
    ).toMatchObject({ detail: expect.stringContaining('who measured it cannot be who looked') });
  });
});

describe('rule 15: whoever measured on a receipt that the signature bears on', () => {
  const DRUM = '(01)09521234543213(21)0007';
  const scanned = (text: string) => ({ scanned: text, entry: 'scanned' }) as const;
  const OPERATORS = {
    operators: ['op-1', 'op-9'].map((id) => ({ id, name: `Operator ${id} (simulated)` })),
  };

  /** Sid measured one drum, and another operator the fail that somebody is to place. */
  async function withSid(own: object, fail: object = {}) {
    const bench = await AttributionBench.open();
    const [first, second, sid] = [
      await bench.reviews.person('robin'),
      await bench.reviews.person('sam'),
      await bench.reviews.person('sid', { operatorIds: ['op-9'] }),
    ];
    await bench.announceSecond({
      receiptId: 'R-3',
      scanText: 'GR-3',
      containers: [DRUM, 'E-2'],
      supplierLot: 'L-3',
      siteLot: 'L-3',
    });
    const results = [
      goodResult(1, { ...FAIL, ...fail }),
      goodResult(2, { operatorId: 'op-9', ...own }),
    ];
    await bench.reviews.settle(goodParts(results, OPERATORS));
    return { bench, first, second, sid, row: await bench.reviews.rowId('R-1') };
  }

  const SAID_OF_R3 = {
    receiptId: 'R-3',
    seen: { receipt: 'GR-3', container: 'E-2', lot: 'L-3', seenBy: 'Lena (simulated)' },
    reason: 'the handheld lay on the pallet of GR-3',
  };

  async function isRefused(
    bench: AttributionBench,
    id: string,
    row: string,
    who: SigningRequest,
    proposal: typeof LABELS_OF_D1,
  ): Promise<void> {
    const proposer = { accountId: who.accountId ?? '', printedName: 'Sid', source: null };
    const own = { why: 'duty-own-result' };
    expect(await bench.decide(id, who)).toMatchObject(own);
    expect(await bench.decide(id, who, 'decline')).toMatchObject(own);
    expect(await bench.attributions.propose(row, proposal, proposer)).toMatchObject(own);
  }

  it('signs nothing of a result that counts there by a signature that is void', async () => {
    const { bench, first, second, sid, row } = await withSid({});
    await bench.decide(await bench.propose(row, first), second);
    await bench.announceSecond({ supplier: 'Trader D (simulated)' });
    expect(await bench.contrary('R-1')).toContain('taken from this receipt by a signature');
    const again = await bench.propose(row, first);
    await isRefused(bench, again, row, sid, LABELS_OF_D1);
    expect(await bench.contrary('R-1')).toContain('contradicted');
  });

  it('signs nothing of a result that another proposal says is of that receipt', async () => {
    const own = { receipt: scanned('GR-2'), container: scanned('D-2'), lot: 'L-2' };
    const { bench, first, sid, row } = await withSid(own);
    await bench.propose(row, first);
    expect(await bench.contrary('R-2')).toContain('contradicted');
    const other = await bench.propose(row, first, SAID_OF_R3);
    await isRefused(bench, other, row, sid, SAID_OF_R3);
    expect(await bench.contrary('R-2')).toContain('contradicted');
  });

  it('signs nothing of a drum with a serial number that the receipt lists', async () => {
    const own = { receipt: scanned('GR-3'), container: scanned('E-2'), lot: 'L-3' };
    const fail = { receipt: scanned('GR-9'), container: scanned(DRUM), lot: 'L-3' };
    const { bench, first, sid, row } = await withSid(own, fail);
    const origin = () => bench.reviews.found('receipt-undivided', 'R-3');
    expect(await origin()).toContain('unmet');
    const id = await bench.propose(row, first);
    await isRefused(bench, id, row, sid, LABELS_OF_D1);
    expect(await origin()).toContain('unmet');
  });
});

describe('a proposal that is declined', () => {
  it('takes a signature too, since it takes a fact from the receipt it named', async () => {
    const { bench, first, second, row } = await world();
    const id = await bench.propose(row, first);
    expect(await bench.decide(id, first, 'decline')).toMatchObject({ why: 'duty-own-proposal' });
    expect(await bench.contrary('R-2')).toContain('contradicted');
    expect(await bench.decide(id, second, 'decline')).toMatchObject({ state: 'declined' });
    expect(await bench.contrary('R-2')).toBe('met: no contrary result');
    expect(await bench.contrary('R-1')).toContain('contradicted');
    expect(await bench.open()).toEqual([]);
    expect(await bench.decide(id, second)).toMatchObject({ why: 'act-not-possible' });
  });

  it('is overtaken when another one of the same result is signed', async () => {
    const { bench, first, second, row } = await world();
    const one = await bench.propose(row, first);
    const seen = { ...LABELS_OF_D1.seen, container: 'D-2' };
    const two = await bench.propose(row, first, { ...LABELS_OF_D1, seen });
    await bench.decide(two, second);
    expect(await bench.places()).toContain('R-1 R-2/D-2 rev 2');
    const states = await bench.db
      .selectFrom('attribution')
      .select(['id', 'state'])
      .orderBy('id')
      .execute();
    expect(states).toEqual([
      { id: one, state: 'overtaken' },
      { id: two, state: 'signed' },
    ]);
    expect(await bench.open()).toEqual([]);
  });
});

describe('of two re-attributions at once', () => {
  it('one wins, and the other is told that what was shown is stale', async () => {
    const { bench, first, second, row } = await world();
    await bench.deliver();
    const third = await bench.reviews.person('toni');
    const one = await bench.propose(row, first);
    const seen = { ...LABELS_OF_D1.seen, container: 'D-2' };
    const two = await bench.propose(row, first, { ...LABELS_OF_D1, seen });
    const shown = await Promise.all([one, two].map((id) => bench.attributions.show(id)));
    const ask = (i: number) => ({
      act: 'attribute' as const,
      shownSha256: shown[i]?.sha256 ?? '',
      reason: 'at once',
    });
    const answers = await Promise.all([
      bench.attributions.decide(one, ask(0), second),
      bench.attributions.decide(two, ask(1), third),
    ]);
    expect(answers.map((a) => a.kind).sort()).toEqual(['refused', 'signed']);
    expect(answers.find((a) => a.kind === 'refused')).toMatchObject({ why: 'signature-stale' });
    expect((await bench.messages()).filter((m) => m.startsWith('withdrawal'))).toHaveLength(1);
    expect((await bench.places())[0]).toMatch(/^R-1 R-2\/D-[12] rev 2$/);
  });
});

describe('beside a bundle that settles', () => {
  it('whichever comes first, the contrary result counts once at its place and what supersedes it takes nothing', async () => {
    const { bench, first, second, row } = await world();
    await bench.deliver();
    const id = await bench.propose(row, first);
    const supersedes = { resultId: 'R-1', reason: 'wrong drum' };
    const later = goodParts(
      [goodResult(3, { supersedes, container: { scanned: 'C-1', entry: 'scanned' } })],
      {
        bundleId: 'B-2',
      },
    );
    const [answer] = await Promise.all([bench.decide(id, second), bench.reviews.settle(later)]);
    const done = answer.kind === 'signed' ? answer : await bench.decide(id, second);
    expect(done).toMatchObject({ kind: 'signed' });
    expect(await bench.places()).toEqual([
      'R-1 R-2/D-1 rev 2',
      'R-2 R-1/C-2 rev 1',
      'R-3 R-1/C-1 rev 1',
    ]);
    expect(await bench.contrary('R-2')).toContain('contradicted');
    expect(await bench.contrary('R-1')).toBe('met: no contrary result');
  });
});
