import { describe, expect, it } from 'vitest';
import { BEAT_EVERY_MS, SILENT_MS_MAX } from '../../src/pipeline/worker.service.js';
import { temporaryDatabase } from '../support/temp-database.js';
import { Hall } from './worker-hall.js';

describe('workers of one database', () => {
  it('give up one that was not heard of for ten seconds, and no live one', async () => {
    const hall = new Hall(await temporaryDatabase());
    const [silent, other] = [await hall.begun(), await hall.begun()];
    hall.clock.advance(SILENT_MS_MAX);
    await other.beat();
    expect(await hall.isStopped(silent.id)).toBe(false);
    hall.clock.advance(1);
    await other.beat();
    expect(await hall.isStopped(silent.id)).toBe(true);
    expect(await hall.isStopped(other.id)).toBe(false);
  });

  it('go on under a new id once they were declared dead, and never under the old one', async () => {
    const hall = new Hall(await temporaryDatabase());
    const [slept, other] = [await hall.begun(), await hall.begun()];
    const before = slept.id;
    hall.clock.advance(SILENT_MS_MAX + 1);
    await other.beat();
    expect(slept.mayStart).toBe(false);
    await slept.beat();
    expect(slept.id).not.toBe(before);
    expect(slept.mayStart).toBe(true);
    expect(await hall.isStopped(before)).toBe(true);
    expect(await hall.isStopped(slept.id)).toBe(false);
  });

  it('start nothing well before the others may give them up', async () => {
    const hall = new Hall(await temporaryDatabase());
    const worker = await hall.begun();
    hall.clock.advance(SILENT_MS_MAX - 2_001);
    expect(worker.mayStart).toBe(true);
    hall.clock.advance(1);
    expect(worker.mayStart).toBe(false);
    await worker.beat();
    expect(worker.mayStart).toBe(true);
  });

  it('leave a live one alone at their start', async () => {
    const hall = new Hall(await temporaryDatabase());
    const live = await hall.begun();
    await hall.begun();
    expect(await hall.isStopped(live.id)).toBe(false);
  });

  it('give up one that ended before their start once they heard nothing of it themselves', async () => {
    const hall = new Hall(await temporaryDatabase());
    const gone = await hall.begun();
    hall.clock.advance(3_600_000);
    const fresh = await hall.begun();
    for (let ms = 0; ms < SILENT_MS_MAX - BEAT_EVERY_MS; ms += BEAT_EVERY_MS) {
      await fresh.beat();
      expect(await hall.isStopped(gone.id)).toBe(false);
      hall.clock.advance(BEAT_EVERY_MS);
    }
    await fresh.beat();
    expect(await hall.isStopped(gone.id)).toBe(true);
  });

  it('give nobody up for a clock that was set forward, and who is silent after that all the same', async () => {
    const hall = new Hall(await temporaryDatabase());
    const [one, other] = [await hall.begun(), await hall.begun()];
    const { id } = one;
    hall.setForward(3_600_000);
    await hall.begun();
    expect(await hall.isStopped(id)).toBe(false);
    await other.beat();
    expect(await hall.isStopped(id)).toBe(false);
    await one.beat();
    expect(one.id).toBe(id);
    await other.beat();
    hall.clock.advance(SILENT_MS_MAX + 1);
    await other.beat();
    expect(await hall.isStopped(id)).toBe(true);
  });
});
