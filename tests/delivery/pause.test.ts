import { describe, expect, it } from 'vitest';
import {
  type Pause,
  pausedBy,
  pausedByRestore,
  resumed,
  resumedAfterRestore,
} from '../../src/delivery/pause.js';
import { RESTORE_PAUSE } from '../../src/delivery/stop-policy.js';

const OPEN: Pause = { paused: 0, reason: null, kept: null };

describe('a pause', () => {
  it("of a person ends with that person's word", () => {
    const paused = pausedBy(OPEN, 'maintenance');
    expect(paused).toEqual({ paused: 1, reason: 'maintenance', kept: null });
    expect(resumed(paused)).toEqual(OPEN);
  });

  it('after a restore is not ended by resuming the destination', () => {
    const restored = pausedByRestore(OPEN);
    expect(resumed(restored)).toEqual(restored);
    expect(resumedAfterRestore(restored)).toEqual(OPEN);
  });

  it("leaves a person's pause standing when it ends, whichever came first", () => {
    const maintenance = { paused: 1, reason: 'maintenance', kept: null };
    const restoredWhilePaused = pausedByRestore(pausedBy(OPEN, 'maintenance'));
    const pausedWhileRestored = pausedBy(pausedByRestore(OPEN), 'maintenance');
    expect(restoredWhilePaused).toEqual({ paused: 1, reason: RESTORE_PAUSE, kept: 'maintenance' });
    expect(pausedWhileRestored).toEqual(restoredWhilePaused);
    expect(resumedAfterRestore(restoredWhilePaused)).toEqual(maintenance);
    expect(resumedAfterRestore(resumed(restoredWhilePaused))).toEqual(OPEN);
  });

  it('of a person is not ended by the end of a restore that never was', () => {
    const paused = pausedBy(OPEN, 'maintenance');
    expect(resumedAfterRestore(paused)).toEqual(paused);
  });
});
