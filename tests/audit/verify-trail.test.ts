import { describe, expect, it } from 'vitest';
import { newTrailKey } from '../../src/audit/signing-key.js';
import { addMs } from '../../src/formats/instant.js';
import { seededRandom } from '../../src/simulation/seeded-random.js';
import { MUTATIONS, stealKeys } from './trail-mutations.js';
import {
  addCheckpoint,
  append,
  judge,
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
