import { describe, expect, it } from 'vitest';
import { newTrailKey } from '../../src/audit/signing-key.js';
import { trailEntryOf } from '../../src/audit/trail-entry.js';
import { Judging } from '../../src/audit/verification.service.js';
import { addMs } from '../../src/formats/instant.js';
import { seededRandom } from '../../src/simulation/seeded-random.js';
import { MUTATIONS, stealKeys } from './trail-mutations.js';
import {
  addCheckpoint,
  append,
  grow,
  judge,
  lifeBegins,
  rewritten,
  sealedTrail,
  type Trail,
  unsealedRow,
} from './trail-world.js';

const RUNS = 10_000;
const { key } = newTrailKey();
const { key: attacker } = newTrailKey();
const entries = 30;
const whole = sealedTrail('northquay', { entries, every: 12, keys: [key] });
const other = sealedTrail('southquay', { entries, every: 12 });
stealKeys([key]);

const copyOf = (trail: Trail): Trail => ({
  ...trail,
  rows: [...trail.rows],
  checkpoints: [...trail.checkpoints],
});

describe('verification of a trail', () => {
  it('finds nothing wrong with what nobody touched, with and without what is kept outside', () => {
    for (const of of [{}, { keys: [key] }, { outside: whole.checkpoints, keys: [key] }]) {
      const report = judge(whole, of);
      expect(report.firstBroken).toBeNull();
      expect(report).toMatchObject({ entries, sealed: entries, covered: entries, brokenCount: 0 });
    }
    expect(judge(other).firstBroken).toBeNull();
    expect(judge(sealedTrail('empty', { entries: 0, every: 1 })).firstBroken).toBeNull();
  });

  it(`finds every one of ${RUNS} seeded changes, at the entry that was changed where it can tell`, () => {
    const seen = new Map<string, number>();
    for (let seed = 0; seed < RUNS; seed += 1) {
      const mutation = MUTATIONS[seed % MUTATIONS.length];
      if (mutation === undefined) throw new Error('no mutation');
      const trail = copyOf(whole);
      const place = mutation.apply(trail, seededRandom(seed), { other, attacker });
      const report = judge(trail, {
        ...(mutation.needs === 'outside' ? { outside: whole.checkpoints } : {}),
        ...(mutation.needs === 'nothing' ? {} : { keys: [key] }),
      });
      const what = `seed ${seed}: ${mutation.name}`;
      expect(report.firstBroken, what).not.toBeNull();
      if (place !== null) expect(report.firstBroken?.sequence, what).toBe(place);
      seen.set(mutation.name, (seen.get(mutation.name) ?? 0) + 1);
    }
    expect(seen.size).toBe(MUTATIONS.length);
    expect([...seen.values()].reduce((a, b) => a + b)).toBe(RUNS);
  }, 180_000);

  it.each(MUTATIONS.filter(({ needs }) => needs !== 'nothing'))(
    'does not find by itself who $name: that takes what is kept elsewhere',
    (mutation) => {
      const trail = copyOf(whole);
      mutation.apply(trail, seededRandom(1), { other, attacker });
      expect(judge(trail).firstBroken).toBeNull();
      const found = judge(trail, { outside: whole.checkpoints, keys: [key] });
      expect(found.firstBroken).not.toBeNull();
    },
  );

  it('says what was done where the entries can tell', () => {
    const kindOf = (name: string, seed = 4) => {
      const trail = copyOf(whole);
      MUTATIONS.find((m) => m.name === name)?.apply(trail, seededRandom(seed), { other, attacker });
      return judge(trail).firstBroken?.kind;
    };
    expect(kindOf('edits a byte of a text')).toBe('edited');
    expect(kindOf('deletes an entry')).toBe('deleted');
    expect(kindOf('cuts the tail')).toBe('truncated');
    expect(kindOf('inserts an entry under a number that is taken')).toBe('inserted');
    expect(kindOf('inserts an old entry without a seal')).toBe('unsealed-too-long');
    expect(kindOf('mends the end too, and leaves the checkpoints')).toBe('checkpoint-mismatch');
    expect(kindOf('moves a signature to another checkpoint')).toBe('bad-signature');
    const swapped = copyOf(whole);
    const [a, b] = [swapped.rows[4], swapped.rows[5]];
    if (a === undefined || b === undefined) throw new Error('too short');
    swapped.rows[4] = { ...b, sequence: 4 };
    swapped.rows[5] = { ...a, sequence: 5 };
    expect(judge(swapped).firstBroken).toMatchObject({ kind: 'swapped', sequence: 4 });
    const removed = copyOf(whole);
    removed.rows.splice(7, 1);
    expect(judge(removed).firstBroken).toMatchObject({ kind: 'deleted', sequence: 7 });
    expect(judge(removed).brokenCount).toBe(1);
  });

  it('names one edited entry once, and goes on behind it', () => {
    const trail = copyOf(whole);
    for (const n of [3, 9]) {
      const row = trail.rows[n];
      if (row !== undefined) trail.rows[n] = { ...row, reason: 'other' };
    }
    const { broken, brokenCount } = judge(trail, { withEnd: false });
    expect(broken.map(({ sequence, kind }) => [sequence, kind])).toEqual([
      [3, 'edited'],
      [9, 'edited'],
    ]);
    expect(brokenCount).toBe(2);
  });

  it('shows a clock that was set back as a remark, and nothing as broken', () => {
    const trail = sealedTrail('northquay', { entries: 3, every: 50 });
    append(trail, unsealedRow('northquay', 3), addMs(unsealedRow('northquay', 3).at, -3_600_000));
    const report = judge(trail);
    expect(report.firstBroken).toBeNull();
    expect(report.remarks.map(({ kind, sequence }) => [kind, sequence])).toContainEqual([
      'clock-set-back',
      3,
    ]);
    expect(report.remarks.map(({ kind }) => kind)).toContain('time-ahead');
  });

  it('follows a change of the key that both keys signed, and believes the old one no longer', () => {
    const next = newTrailKey().key;
    const trail = sealedTrail('northquay', { entries: 5, every: 5, keys: [key] });
    const { id, publicKey } = next;
    const announcing = {
      ...unsealedRow('northquay', 5),
      action: 'trail.key-announced',
      after: JSON.stringify({ id, publicKey }),
    };
    append(trail, announcing);
    addCheckpoint(trail, [key, next], key.id);
    append(trail, unsealedRow('northquay', 6));
    addCheckpoint(trail, [next]);
    expect(judge(trail, { keys: [key] }).firstBroken).toBeNull();
    append(trail, unsealedRow('northquay', 7));
    addCheckpoint(trail, [key]);
    expect(judge(trail, { keys: [key] }).firstBroken).toMatchObject({
      kind: 'bad-signature',
      checkpoint: 8,
    });
  });

  it('refuses a new key that the old one did not sign for', () => {
    const next = newTrailKey().key;
    const trail = sealedTrail('northquay', { entries: 5, every: 5, keys: [key] });
    const { id, publicKey } = next;
    append(trail, {
      ...unsealedRow('northquay', 5),
      action: 'trail.key-announced',
      after: JSON.stringify({ id, publicKey }),
    });
    addCheckpoint(trail, [next], key.id);
    expect(judge(trail, { keys: [key] }).firstBroken?.kind).toBe('bad-signature');
    expect(judge(trail).firstBroken?.kind).toBe('bad-signature');
  });

  it('takes no unsigned checkpoint once a key from outside has signed, and says so of one without', () => {
    const trail = sealedTrail('northquay', { entries: 5, every: 5, keys: [key] });
    append(trail, unsealedRow('northquay', 5));
    addCheckpoint(trail, []);
    expect(judge(trail, { keys: [key] }).firstBroken?.kind).toBe('bad-signature');
    const report = judge(trail);
    expect(report.firstBroken).toBeNull();
    expect(report.remarks.map(({ kind }) => kind)).toContain('unsigned');
  });

  it('lists the first faults of a trail with many, and counts all', () => {
    const trail = copyOf(sealedTrail('northquay', { entries: 200, every: 500 }));
    trail.rows.forEach((row, n) => {
      trail.rows[n] = { ...row, zone: 'UTC' };
    });
    const { broken, brokenCount } = judge(trail);
    expect(broken.length).toBe(50);
    expect(brokenCount).toBe(200);
  });
});

describe('a trail that goes on from a backup', () => {
  it('is whole, and shows what it lost, with the numbers, each time it is held against what is outside', () => {
    const { trail, outside } = restored();
    const report = judge(trail, { outside, keys: [key] });
    expect(report.firstBroken).toBeNull();
    expect(report.endedLives).toMatchObject([
      {
        epoch: 1,
        endedBy: { epoch: 2, sealedBefore: 20, provenBefore: 20, sequence: 21, cause: 'restored' },
        checkpoints: 3,
        sizes: { from: 21, to: 30 },
        signed: 3,
      },
    ]);
    const { kind, text, sequence } = report.remarks[0] ?? {};
    expect([kind, sequence]).toEqual(['life-ended', null]);
    expect(text).toMatch(
      /life 1 ended at entry 20.*3 checkpoints.*sizes 21 to 30.*entries 20 to 29/,
    );
    expect(judge(trail, { keys: [key] }).endedLives).toEqual([]);
  });

  it('shows it also where remarks without number come before', () => {
    const { trail, outside } = restored();
    for (let n = 0; n < 120; n += 1) {
      const row = unsealedRow('northquay', trail.rows.length);
      append(trail, row, addMs(row.at, n % 2 === 0 ? -3_600_000 : 0));
    }
    const { remarks, remarkCount } = judge(trail, { outside, keys: [key] });
    expect(remarkCount).toBeGreaterThan(60);
    expect(remarks[0]?.kind).toBe('life-ended');
  });

  it('is broken at the checkpoint behind an entry that was rewritten after it, whatever the lost one held', () => {
    const { trail, outside } = restored();
    const report = judge(rewritten(trail, 27, [key]), { outside, keys: [key] });
    expect(report.firstBroken).toMatchObject({
      kind: 'checkpoint-mismatch',
      checkpoint: 32,
      sequence: 20,
      upTo: 31,
    });
    expect(report.broken.map(({ checkpoint }) => checkpoint)).toEqual([32, 42]);
    expect(report.endedLives).toHaveLength(1);
  });

  it('is broken where what the lost life left it was rewritten: that has to fit', () => {
    const { trail, outside } = restored();
    const report = judge(rewritten(trail, 7, [key]), { outside, keys: [key] });
    expect(report.firstBroken).toMatchObject({ kind: 'checkpoint-mismatch', checkpoint: 10 });
  });

  it('does not lose sight of what is behind a checkpoint of somebody else, nor of what an edit hides', () => {
    const { trail, outside } = restored();
    const [first] = outside;
    if (first === undefined) throw new Error('there is one');
    const { checkpoint, signatures } = first;
    const foreign = { checkpoint: { ...checkpoint, size: 3, root: '0'.repeat(64) }, signatures };
    const found = judge(rewritten(trail, 38, [key]), {
      outside: [foreign, ...outside],
      keys: [key],
    });
    expect(found.broken.map((fault) => fault.checkpoint)).toEqual([3, 42]);
    const hidden = rewritten(trail, 38, [key]);
    const row = hidden.rows[4];
    if (row !== undefined) hidden.rows[4] = { ...row, reason: 'other' };
    const both = judge(hidden, { outside, keys: [key] }).broken;
    expect(both.map(({ kind, checkpoint: at }) => [kind, at ?? null])).toEqual([
      ['edited', null],
      ['checkpoint-mismatch', 42],
    ]);
  });

  it('cannot have a rewriting pass for a restore unseen: both show, with what each covers', () => {
    const { trail, outside } = restored();
    const made: Trail = { ...sealedTrail('northquay', { entries: 12, every: 12, keys: [key] }) };
    lifeBegins(made, 3, 12);
    grow(made, { entries: 30, every: 10, epoch: 3, keys: [key] });
    const report = judge(made, { outside, keys: [key] });
    expect(report.endedLives).toMatchObject([
      {
        epoch: 1,
        endedBy: { epoch: 3, sealedBefore: 12, provenBefore: 10 },
        checkpoints: 4,
        sizes: { from: 20, to: 30 },
      },
      {
        epoch: 2,
        endedBy: { epoch: 3, sealedBefore: 12 },
        checkpoints: 2,
        sizes: { from: 32, to: 42 },
      },
    ]);
    expect(report.remarks.slice(0, 2).map(({ kind }) => kind)).toEqual([
      'life-ended',
      'life-ended',
    ]);
    // Nor by a life of another database, or one that is not above.
    for (const change of [{ instance: 'another' }, { epoch: 3 }]) {
      const changed = outside.map(({ checkpoint, signatures }) => ({
        checkpoint: { ...checkpoint, ...change },
        signatures,
      }));
      expect(judge(made, { outside: changed }).firstBroken, JSON.stringify(change)).not.toBeNull();
    }
    expect(judge(trail, { outside: made.checkpoints }).firstBroken).not.toBeNull();
  });

  it('keeps the key that counts, whatever key the lost life changed to', () => {
    const next = newTrailKey().key;
    const lost = sealedTrail('northquay', { entries: 20, every: 10, keys: [key] });
    const trail = { ...lost, rows: [...lost.rows], checkpoints: [...lost.checkpoints] };
    append(lost, {
      ...unsealedRow('northquay', 20),
      action: 'trail.key-announced',
      after: JSON.stringify({ id: next.id, publicKey: next.publicKey }),
    });
    addCheckpoint(lost, [key, next], key.id);
    lifeBegins(trail, 2, 20);
    grow(trail, { entries: 10, every: 10, epoch: 2, keys: [key] });
    const outside = [...lost.checkpoints, ...trail.checkpoints.slice(2)];
    const report = judge(trail, { outside, keys: [key] });
    expect(report.firstBroken).toBeNull();
    expect(report.endedLives).toMatchObject([{ epoch: 1, checkpoints: 1, signed: 0 }]);
  });

  it('takes the entry itself for the beginning where it does not say what was sealed before', () => {
    const { trail, outside } = restored(null);
    const report = judge(trail, { outside, keys: [key] });
    expect(report.endedLives).toMatchObject([{ checkpoints: 2, sizes: { from: 26, to: 30 } }]);
    expect(report.firstBroken).toMatchObject({ kind: 'checkpoint-mismatch', checkpoint: 21 });
  });

  it('shows it in a part of it, too, and nothing of what covers more than that', () => {
    const { trail, outside } = restored();
    const judging = new Judging('northquay', { keys: [key], outside }, 23);
    for (const row of trail.rows.slice(0, 24)) {
      judging.entry({ entry: trailEntryOf(row), hash: row.hash });
    }
    const report = judging.report(null);
    expect(report.endedLives).toMatchObject([{ epoch: 1, checkpoints: 3, sizes: { to: 30 } }]);
    expect(report.firstBroken).toBeNull();
  });
});

/** A trail whose database was put back as it was at 20 entries, and went on in life 2; life 1 had come to 30. */
function restored(sealed: number | null = 20) {
  const lost = sealedTrail('northquay', { entries: 20, every: 10, keys: [key] });
  const trail = { ...lost, rows: [...lost.rows], checkpoints: [...lost.checkpoints] };
  grow(lost, { entries: 1, every: 1, epoch: 1, keys: [key] });
  grow(lost, { entries: 9, every: 5, epoch: 1, keys: [key] });
  addCheckpoint(lost, [key]);
  append(trail, { ...unsealedRow('northquay', 20), action: 'instance.restored' });
  lifeBegins(trail, 2, sealed ?? undefined);
  grow(trail, { entries: 20, every: 10, epoch: 2, keys: [key] });
  const outside = [...lost.checkpoints, ...trail.checkpoints.slice(2)];
  return { trail, outside: outside.sort((a, b) => a.checkpoint.size - b.checkpoint.size) };
}
