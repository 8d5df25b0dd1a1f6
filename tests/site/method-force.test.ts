import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { addMs, type Instant, parseTimestamp } from '../../src/formats/instant.js';
import { lastInService, whyNotInService } from '../../src/site/instrument-service.js';
import {
  approvalFor,
  measuredSpan,
  spansMeet,
  versionsInForce,
  whyNotInForce,
} from '../../src/site/method-force.js';
import type { Instrument, Method, MethodForce } from '../../src/site/site-folder.js';
import { site, time } from '../statements/conforming-facts.js';

const NO_LIMITS: MethodForce = {
  effectiveFrom: null,
  retiredAt: null,
  invalidatedAt: null,
  invalidation: null,
  absent: [],
  beside: [],
};

function method(force?: Partial<MethodForce>, over: Partial<Method> = {}): Method {
  const [base] = site.methods;
  if (!base) throw new Error('the invented site has a method');
  return { ...base, ...over, ...(force ? { force: { ...NO_LIMITS, ...force } } : {}) };
}

const instant = (text: string): Instant => {
  const read = parseTimestamp(text);
  if (read === null) throw new Error(text);
  return read.instant;
};
const at = (clock: string) => ({ from: time(clock), to: time(clock) });

describe('a version of a method', () => {
  it('is always in force without dates', () => {
    expect(whyNotInForce(method(), at('09:00'))).toBeNull();
  });

  it('is in force from its first instant and not at the one it is retired at', () => {
    const dated = method({ effectiveFrom: time('09:00'), retiredAt: time('12:00') });
    expect(whyNotInForce(dated, at('08:59'))).toContain('is in force from');
    expect(whyNotInForce(dated, at('09:00'))).toBeNull();
    expect(whyNotInForce(dated, at('11:59'))).toBeNull();
    expect(whyNotInForce(dated, at('12:00'))).toContain('was retired at');
  });

  it('is not in force while the site folder does not list it', () => {
    const away = method({ absent: [{ from: time('10:00'), to: time('11:00') }] });
    expect(whyNotInForce(away, at('09:59'))).toBeNull();
    expect(whyNotInForce(away, at('10:00'))).toContain('not in the site folder');
    expect(whyNotInForce(away, at('11:00'))).toBeNull();
  });

  it('hands over at one instant: exactly one of two versions is in force at any', () => {
    const noon = time('12:00');
    const versions = [
      method({ retiredAt: noon }, { version: '1' }),
      method({ effectiveFrom: noon }, { version: '2' }),
    ];
    fc.assert(
      fc.property(fc.integer({ min: -1e12, max: 1e12 }), (shift) => {
        const when = (noon + shift) as Instant;
        const inForce = versionsInForce(versions, versions[0]?.id ?? '', { from: when, to: when });
        expect(inForce.map((m) => m.version)).toEqual([shift < 0 ? '1' : '2']);
      }),
    );
  });

  it('is none that counts once it was found wrong', () => {
    const wrong = method({ invalidatedAt: time('15:00') });
    expect(versionsInForce([wrong], wrong.id, at('09:00'))).toEqual([]);
  });

  it('is approved by what was in force when it was measured', () => {
    const approvals = [
      { material: 'NQ-1001', decision: 'D-1', endsAt: time('10:00') },
      { material: 'NQ-1001', decision: 'D-2', effectiveFrom: time('11:00') },
    ];
    const dated = method(undefined, { approvals });
    expect(approvalFor(dated, 'NQ-1001', at('09:59'))?.decision).toBe('D-1');
    expect(approvalFor(dated, 'NQ-1001', at('10:00'))).toBeNull();
    expect(approvalFor(dated, 'NQ-1001', at('11:00'))?.decision).toBe('D-2');
    expect(approvalFor(dated, 'NQ-1002', at('11:00'))).toBeNull();
  });
});

describe('the time of a measurement', () => {
  it('is an instant when the offset was stated', () => {
    const when = instant('2026-03-04T11:30:00+01:00');
    for (const source of ['instrument', 'sync-pc']) {
      const span = measuredSpan(when, '2026-03-04T11:30:00+01:00', source);
      expect(span).toEqual({ from: when, to: when });
    }
  });

  it('is anything its clock can have meant when the offset was assumed', () => {
    // 11:30 on the clock is 21:30 UTC of the day before at +14:00, and 23:30 UTC at -12:00.
    const span = measuredSpan(
      instant('2026-03-04T10:30:00Z'),
      '2026-03-04T11:30:00+01:00',
      'assumed',
    );
    expect(span).toEqual({
      from: instant('2026-03-03T21:30:00Z'),
      to: instant('2026-03-04T23:30:00Z'),
    });
  });

  it('contains what any stated offset would have made of the same reading', () => {
    const span = measuredSpan(
      instant('2026-10-25T00:30:00Z'),
      '2026-10-25T01:30:00+01:00',
      'assumed',
    );
    for (let offset = -12; offset <= 14; offset += 1) {
      const sign = offset < 0 ? '-' : '+';
      const hours = String(Math.abs(offset)).padStart(2, '0');
      const when = instant(`2026-10-25T01:30:00${sign}${hours}:00`);
      expect(when >= span.from && when <= span.to, `${sign}${hours}:00`).toBe(true);
    }
  });

  it('ends when its bundle came, unless that was before the stated time itself', () => {
    const spanOf = (takenIn: Instant) =>
      measuredSpan(time('10:30'), '2026-03-04T11:30:00+01:00', 'assumed', takenIn);
    const open = measuredSpan(time('10:30'), '2026-03-04T11:30:00+01:00', 'assumed');
    expect(spanOf(time('10:40'))).toEqual({ from: open.from, to: time('10:40') });
    expect(spanOf(time('23:59'))).toEqual(open);
    expect(spanOf(time('10:30'))).toEqual({ from: open.from, to: time('10:30') });
    // One of the clocks was wrong then.
    expect(spanOf(time('10:29'))).toEqual(open);
    const stated = measuredSpan(
      time('10:30'),
      '2026-03-04T11:30:00+01:00',
      'sync-pc',
      time('10:00'),
    );
    expect(stated).toEqual({ from: time('10:30'), to: time('10:30') });
  });

  it('is wider still when not even the reading is known', () => {
    const when = time('12:00');
    const span = measuredSpan(when, null, null);
    expect(span).toEqual({ from: addMs(when, -26 * 3_600_000), to: addMs(when, 26 * 3_600_000) });
  });
});

describe('an instrument', () => {
  const instrument = (over: Partial<Instrument>): Instrument => {
    const [base] = site.instruments;
    if (!base) throw new Error('the invented site has an instrument');
    return { ...base, ...over };
  };

  it('newly put into service has nothing to be heard of from before', () => {
    const fresh = instrument({ inServiceSince: time('12:00') });
    expect(lastInService(fresh, time('08:00'), time('11:59'))).toBeNull();
    expect(lastInService(fresh, time('08:00'), time('12:30'))).toBe(time('12:30'));
    expect(whyNotInService(fresh, at('11:59'))).toContain('in service from');
    expect(whyNotInService(fresh, at('12:00'))).toBeNull();
  });

  it('that went out of service meanwhile is heard to its last instant in service', () => {
    const away = [{ from: time('10:00'), to: null, decision: 'D-9' }];
    const gone = instrument({ outOfService: away });
    expect(lastInService(gone, time('08:00'), time('11:00'))).toBe(time('10:00') - 1);
    expect(lastInService(gone, time('10:30'), time('11:00'))).toBeNull();
    expect(whyNotInService(gone, at('10:30'))).toContain('out of service');
  });

  it('that came back is heard like any other', () => {
    const away = [{ from: time('09:00'), to: time('10:00'), decision: 'D-9' }];
    const back = instrument({ outOfService: away });
    expect(lastInService(back, time('08:00'), time('11:00'))).toBe(time('11:00'));
  });

  it('out of service in touching spans was out of service throughout', () => {
    const spans = [
      { from: time('09:00'), to: time('10:00'), decision: 'D-9' },
      { from: time('10:00'), to: time('12:00'), decision: 'D-9' },
    ];
    const gone = instrument({ outOfService: spans });
    expect(lastInService(gone, time('09:00'), time('11:00'))).toBeNull();
    expect(lastInService(gone, time('08:00'), time('11:00'))).toBe(time('09:00') - 1);
  });
});

describe('two spans', () => {
  it('meet when an instant lies in both, and touching ends do not', () => {
    const [nine, ten, eleven] = [time('09:00'), time('10:00'), time('11:00')];
    expect(spansMeet({ from: nine, to: ten }, { from: ten, to: eleven })).toBe(false);
    expect(spansMeet({ from: nine, to: eleven }, { from: ten, to: null })).toBe(true);
    expect(spansMeet({ from: null, to: nine }, { from: ten, to: null })).toBe(false);
    expect(spansMeet({ from: null, to: null }, { from: ten, to: eleven })).toBe(true);
  });
});
