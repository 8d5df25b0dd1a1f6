import { describe, expect, it } from 'vitest';
import { addMs, instantFromMillis } from '../../src/formats/instant.js';
import { anchoredClock, elapsedMillis } from '../../src/storage/clock.js';

const START_MS = Date.UTC(2026, 10, 25, 9);
const HOUR_MS = 3_600_000;

/** A machine whose clocks a test moves: on the wall, of the process, and since it was switched on. */
class Machine {
  wallMs = START_MS;
  processMs = 5_000;
  upMs = 900_000;
  readonly clock = anchoredClock(
    () => this.wallMs,
    () => this.processMs,
    () => this.upMs,
  );

  pass(ms: number): void {
    this.processMs += ms;
    this.sleep(ms);
  }

  /** The counter of a process stands still while its machine sleeps. */
  sleep(ms: number): void {
    this.wallMs += ms;
    this.upMs += ms;
  }

  get shownMs(): number {
    return (this.clock.now() - instantFromMillis(START_MS)) / 1000;
  }
}

describe('the clock of one process', () => {
  it('goes on by its counter, whatever somebody sets the wall clock to', () => {
    const machine = new Machine();
    for (const stepMs of [HOUR_MS, -3 * HOUR_MS]) {
      machine.wallMs += stepMs;
      machine.pass(10_000);
      machine.clock.now();
    }
    expect(machine.clock.now()).toBe(addMs(instantFromMillis(START_MS), 20_000));
  });

  it('knows a second after it woke how long its machine slept, as often as it does', () => {
    const machine = new Machine();
    machine.pass(10_000);
    expect(machine.shownMs).toBe(10_000);
    machine.sleep(8 * HOUR_MS);
    machine.pass(1_000);
    expect(machine.shownMs).toBe(8 * HOUR_MS + 11_000);
    machine.sleep(HOUR_MS);
    machine.pass(1_000);
    expect(machine.shownMs).toBe(9 * HOUR_MS + 12_000);
  });

  it('takes no sleep from one witness alone', () => {
    const machine = new Machine();
    // As where a container goes on under another kernel.
    machine.upMs += 300 * HOUR_MS;
    machine.pass(2_000);
    expect(machine.shownMs).toBe(2_000);
    machine.upMs = 0;
    machine.pass(2_000);
    expect(machine.shownMs).toBe(4_000);
  });

  it('never runs back, and counts hundredths by which the counters differ for no sleep', () => {
    const machine = new Machine();
    for (const apart of [9, -9, 400, -400]) {
      machine.upMs += apart;
      machine.wallMs += apart;
      machine.pass(1_000);
      machine.clock.now();
    }
    expect(machine.shownMs).toBe(4_000);
  });
});

describe('time that has passed for what must not be believed too long', () => {
  function asked(machine: Machine) {
    let readings = 0;
    const elapsed = elapsedMillis(
      () => machine.processMs,
      () => {
        readings += 1;
        return machine.upMs;
      },
      () => machine.wallMs,
    );
    return { elapsed, readings: () => readings };
  }

  it('counts a sleep at once, and a counter of the machine that fell back for nothing', () => {
    const machine = new Machine();
    const { elapsed } = asked(machine);
    machine.pass(1_500);
    expect(elapsed()).toBe(1_500);
    machine.sleep(20_000);
    expect(elapsed()).toBe(21_500);
    machine.upMs = 0;
    expect(elapsed()).toBe(21_500);
    machine.processMs += 30_000;
    expect(elapsed()).toBe(51_500);
  });

  it('reads the counter of the machine once a second while the wall clock goes along', () => {
    const machine = new Machine();
    const { elapsed, readings } = asked(machine);
    for (let i = 0; i < 100; i++) {
      machine.pass(50);
      elapsed();
    }
    expect(elapsed()).toBe(5_000);
    expect(readings()).toBe(6);
  });

  it('counts a sleep within a second also where the wall clock was set back by as much', () => {
    const machine = new Machine();
    const { elapsed } = asked(machine);
    machine.sleep(20_000);
    machine.wallMs -= 20_000;
    machine.pass(1_000);
    expect(elapsed()).toBe(21_000);
  });

  it('counts no step of the wall clock alone', () => {
    const machine = new Machine();
    const { elapsed } = asked(machine);
    for (const stepMs of [3_600_000, -7_200_000, 500, -500]) {
      machine.wallMs += stepMs;
      machine.pass(10);
      elapsed();
    }
    expect(elapsed()).toBe(40);
  });
});
