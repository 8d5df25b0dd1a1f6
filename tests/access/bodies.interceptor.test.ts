import type { CallHandler, ExecutionContext } from '@nestjs/common';
import { Subject } from 'rxjs';
import { expect, it } from 'vitest';
import { BodiesInterceptor } from '../../src/access/bodies.interceptor.js';
import { BodiesUnderWay } from '../../src/access/bodies-under-way.js';

const BYTES = 1_000_000;

/** A handler that has the only body there is room for. */
function handling() {
  const bodies = new BodiesUnderWay({ callerBytesMax: BYTES, bytesMax: BYTES });
  const request = {};
  const context = { switchToHttp: () => ({ getRequest: () => request }) };
  const result = new Subject<unknown>();
  const next: CallHandler = { handle: () => result };
  const seen = new BodiesInterceptor(bodies).intercept(context as ExecutionContext, next);
  seen.subscribe({ error: () => undefined });
  bodies.reserve(request, 'key a', BYTES);
  const hasRoom = () => {
    const other = {};
    try {
      bodies.reserve(other, 'key a', BYTES);
    } catch {
      return false;
    }
    bodies.release(other);
    return true;
  };
  return { result, hasRoom };
}

it.each([
  ['answered', (result: Subject<unknown>) => result.complete()],
  ['failed', (result: Subject<unknown>) => result.error(new Error('handler'))],
])('a body counts until its handler has %s, and no longer', (_how, end) => {
  const { result, hasRoom } = handling();
  expect(hasRoom()).toBe(false);
  result.next('an answer that is still written');
  expect(hasRoom()).toBe(false);
  end(result);
  expect(hasRoom()).toBe(true);
});
