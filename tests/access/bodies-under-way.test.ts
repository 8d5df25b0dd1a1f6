import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { BodiesUnderWay, bodyBounds } from '../../src/access/bodies-under-way.js';
import { Problem } from '../../src/problem-details.js';

const BOUNDS = { callerBytesMax: 1_000_000, bytesMax: 2_000_000 };
const MIB = 1024 * 1024;

/** `taken`, or the code by which it was refused. */
function ask(bodies: BodiesUnderWay, request: object, caller: string, bytes: number): string {
  try {
    bodies.reserve(request, caller, bytes);
    return 'taken';
  } catch (error) {
    if (!(error instanceof Problem)) throw error;
    expect(error.headers).toEqual({ 'retry-after': '5', connection: 'close' });
    return error.code;
  }
}

describe('bodies under way', () => {
  it('of one caller take up half of the room, and leave the other half to others', () => {
    const bodies = new BodiesUnderWay(BOUNDS);
    const first = {};
    expect(ask(bodies, first, 'key a', 600_000)).toBe('taken');
    expect(ask(bodies, {}, 'key a', 400_001)).toBe('body-share-used');
    expect(ask(bodies, {}, 'key a', 400_000)).toBe('taken');
    expect(ask(bodies, {}, 'key b', 1_000_000)).toBe('taken');
    expect(ask(bodies, {}, 'key c', 200_000)).toBe('body-no-room');
    bodies.release(first);
    expect(ask(bodies, {}, 'key c', 200_000)).toBe('taken');
  });

  it('leave room for what is small, which has a bound too', () => {
    const bodies = new BodiesUnderWay({ callerBytesMax: MIB, bytesMax: MIB });
    expect(ask(bodies, {}, 'key a', MIB)).toBe('taken');
    expect(ask(bodies, {}, 'key b', 131_073)).toBe('body-no-room');
    const small = Array.from({ length: 129 }, (_, i) => ask(bodies, {}, `key ${i}`, 131_072));
    expect(small).toEqual([...Array<string>(128).fill('taken'), 'body-no-room']);
  });

  it('let in the largest while nothing else is under way, whatever the bounds', () => {
    const bodies = new BodiesUnderWay({ callerBytesMax: 1000, bytesMax: 2000 });
    const large = {};
    expect(ask(bodies, large, 'key a', 3_000_000)).toBe('taken');
    expect(ask(bodies, {}, 'key a', 1)).toBe('body-share-used');
    bodies.release(large);
    bodies.release(large);
    expect(ask(bodies, {}, 'key a', 3_000_000)).toBe('taken');
  });

  it('are bounded so that two of the largest have room, of two callers', () => {
    for (const largest of [1024, 64 * MIB, 256 * MIB]) {
      const bounds = bodyBounds(largest);
      const bodies = new BodiesUnderWay(bounds);
      expect(ask(bodies, {}, 'key a', largest)).toBe('taken');
      expect(ask(bodies, {}, 'key b', largest)).toBe('taken');
      expect(bounds.bytesMax).toBe(2 * Math.max(128 * MIB, largest));
    }
  });

  it('never take up more than the bounds, and all of it is free again in the end', () => {
    const act = fc.record({
      caller: fc.constantFrom('a', 'b', 'c'),
      bytes: fc.integer({ min: 0, max: 1_000_000 }),
      ends: fc.boolean(),
    });
    fc.assert(
      fc.property(fc.array(act, { maxLength: 60 }), (acts) => {
        const bodies = new BodiesUnderWay(BOUNDS);
        const open: { request: object; caller: string; bytes: number }[] = [];
        for (const { caller, bytes, ends } of acts) {
          const request = {};
          if (ask(bodies, request, caller, bytes) === 'taken')
            open.push({ request, caller, bytes });
          const sum = (of: typeof open) => of.reduce((all, one) => all + one.bytes, 0);
          expect(sum(open)).toBeLessThanOrEqual(BOUNDS.bytesMax + 16 * MIB);
          expect(sum(open.filter((one) => one.bytes > 131_072))).toBeLessThanOrEqual(
            BOUNDS.bytesMax,
          );
          expect(sum(open.filter((one) => one.caller === caller))).toBeLessThanOrEqual(
            BOUNDS.callerBytesMax,
          );
          if (ends) bodies.release(open.shift()?.request ?? {});
        }
        for (const { request } of open) bodies.release(request);
        for (const caller of ['a', 'b']) {
          expect(ask(bodies, {}, caller, BOUNDS.callerBytesMax)).toBe('taken');
        }
      }),
    );
  });
});
