import { describe, expect, it } from 'vitest';
import { addMs } from '../../src/formats/instant.js';
import {
  escalationDueAt,
  escalationMessage,
  type StopToEscalate,
} from '../../src/statements/escalation.js';
import { time } from './conforming-facts.js';

const issued = time('09:40');
const now = time('09:40');
const times = { afterMs: 60_000, repeatMs: 300_000 };
const about: StopToEscalate = {
  stop: {
    id: 's1',
    receipt_id: 'R-1',
    kind: 'withdraw',
    reason: 'a drum failed',
    issued_at: issued,
    statement_revision: 3,
  },
  waitingFor: ['erp'],
  paused: [],
  last: null,
};

describe('rule 22: a stop that is not effective', () => {
  it('goes out over the second channel when the site’s time is over, and again until it is effective', () => {
    expect(escalationDueAt(about, times, now)).toBe(addMs(issued, 60_000));
    const last = { number: 3, at: time('09:50') };
    expect(escalationDueAt({ ...about, last }, times, time('09:50'))).toBe(
      addMs(time('09:50'), 300_000),
    );
  });

  it('does so at once when its destination is paused', () => {
    expect(escalationDueAt({ ...about, paused: ['erp'] }, times, now)).toBe(issued);
  });

  it('does so at once when the clock that wrote when it was issued, or told of, has gone back since', () => {
    const earlier = time('08:40');
    expect(escalationDueAt(about, times, earlier)).toBe(earlier);
    const last = { number: 3, at: issued };
    expect(escalationDueAt({ ...about, last }, times, earlier)).toBe(earlier);
  });

  it('says what and why on one line each, whatever the receipt is called, and that it is simulated', () => {
    const nasty = { ...about, stop: { ...about.stop, receipt_id: 'R\r\nBcc: all@site.example' } };
    const site = { title: 'Northquay (simulated)', simulated: true };
    const { subject, text } = escalationMessage(nasty, site, 'Duty quality (simulated)', 1);
    expect(subject).not.toMatch(/[\r\n]/);
    expect(subject).toContain('SIMULATED');
    expect(text).toContain('withdraw');
    expect(text).toContain('a drum failed');
    expect(text).not.toMatch(/^Bcc:/m);
  });
});
