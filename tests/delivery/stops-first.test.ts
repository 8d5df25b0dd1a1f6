import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import { StopsFirst } from '../../src/delivery/stops-first.service.js';

describe('work that waits while a stop is on its way', () => {
  beforeEach(() => {
    vi.useFakeTimers({ toFake: ['setTimeout', 'clearTimeout', 'setImmediate', 'performance'] });
  });
  afterEach(() => {
    vi.useRealTimers();
  });

  it('begins at once when there is none', async () => {
    const begun = vi.fn();
    void new StopsFirst().whenNone().then(begun);
    await vi.advanceTimersByTimeAsync(0);
    expect(begun).toHaveBeenCalled();
  });

  it('begins when the last of them has ended', async () => {
    const stops = new StopsFirst();
    const [first, second] = [deferred(), deferred()];
    void stops.run(() => first.promise);
    void stops.run(() => second.promise);
    const begun = vi.fn();
    void stops.whenNone().then(begun);
    first.resolve();
    await vi.advanceTimersByTimeAsync(10);
    expect(begun).not.toHaveBeenCalled();
    second.resolve();
    await vi.advanceTimersByTimeAsync(10);
    expect(begun).toHaveBeenCalled();
  });

  it('waits on where the sending follows the finding', async () => {
    const stops = new StopsFirst();
    const [found, sent] = [deferred(), deferred()];
    void stops.run(() => found.promise).then(() => stops.run(() => sent.promise));
    const begun = vi.fn();
    void stops.whenNone().then(begun);
    found.resolve();
    await vi.advanceTimersByTimeAsync(10);
    expect(begun).not.toHaveBeenCalled();
    sent.resolve();
    await vi.advanceTimersByTimeAsync(10);
    expect(begun).toHaveBeenCalled();
  });

  it('is not held up by a destination that does not answer', async () => {
    const stops = new StopsFirst();
    void stops.run(() => new Promise(() => undefined));
    const begun = vi.fn();
    void stops.whenNone().then(begun);
    await vi.advanceTimersByTimeAsync(249);
    expect(begun).not.toHaveBeenCalled();
    await vi.advanceTimersByTimeAsync(1);
    expect(begun).toHaveBeenCalled();
    // Nor is what comes later.
    const later = vi.fn();
    void stops.whenNone().then(later);
    await vi.advanceTimersByTimeAsync(0);
    expect(later).toHaveBeenCalled();
  });

  it('begins also when one failed, which is told to whoever ran it', async () => {
    const stops = new StopsFirst();
    const failing = deferred();
    const run = stops.run(() => failing.promise);
    const told = expect(run).rejects.toThrow('a defect');
    const begun = vi.fn();
    void stops.whenNone().then(begun);
    failing.reject(new Error('a defect'));
    await told;
    await vi.advanceTimersByTimeAsync(10);
    expect(begun).toHaveBeenCalled();
  });
});

function deferred() {
  let resolve: () => void = () => undefined;
  let reject: (error: Error) => void = () => undefined;
  const promise = new Promise<void>((done, failed) => {
    resolve = done;
    reject = failed;
  });
  return { promise, resolve, reject };
}
