import { fork } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import ts from 'typescript';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { ExpressionPool } from '../../src/mapping/expression.pool.js';
import { EXPRESSION_LIMITS } from '../../src/mapping/expression-task.js';
import { repositoryRoot } from '../support/shared.js';

let pool: ExpressionPool;
beforeAll(() => {
  pool = new ExpressionPool({ threads: 1 });
});
afterAll(() => pool.close());

/** A stall, a memory blow-up or an endless loop would run far beyond this; a busy machine does not. */
const BOUND_MS = EXPRESSION_LIMITS.deadlineMs + 4_000;

async function timed(expressions: readonly string[], subject: unknown) {
  const start = performance.now();
  const results = await pool.evaluate(expressions, JSON.stringify(subject));
  return { results, elapsedMs: performance.now() - start };
}

describe('the expression pool', () => {
  it('evaluates expressions in order and says nothing for a missing value', async () => {
    const { results } = await timed(['a & "-" & b', 'none.at.all', '[1..3]', 'null'], {
      a: 'x',
      b: 'y',
    });
    expect(results).toEqual([
      { ok: true, json: '"x-y"' },
      { ok: true, json: null },
      { ok: true, json: '[1,2,3]' },
      { ok: true, json: null },
    ]);
  });

  it('names the place of a syntax error and the reason of a failure', async () => {
    const { results } = await timed(['a &', '$number("x")'], { a: 1 });
    expect(results[0]).toMatchObject({ ok: false, code: 'expression-invalid' });
    expect(results[1]).toMatchObject({
      ok: false,
      code: 'expression-failed',
      detail: expect.stringContaining('D3030') as string,
    });
  });

  // The inputs of reliability.md §4, tried there on the same release of the library.
  it('ends a regular expression that backtracks without end, and keeps the others', async () => {
    const subject = { s: `${'a'.repeat(29)}!`, t: 'fine' };
    const { results, elapsedMs } = await timed(
      ['t', '$match(s, /^(a+)+$/)', '$uppercase(t)'],
      subject,
    );
    expect(results[0]).toEqual({ ok: true, json: '"fine"' });
    expect(results[1]).toMatchObject({ ok: false, code: 'expression-deadline' });
    expect(results[2]).toEqual({ ok: true, json: '"FINE"' });
    expect(elapsedMs).toBeLessThan(BOUND_MS);
  });

  it('keeps a text of 300 million characters from leaving the thread', async () => {
    const { results, elapsedMs } = await timed(
      ['$length($pad("x", 300000000))', '$pad("x", 300000000)'],
      {},
    );
    for (const result of results) {
      if (result.ok) expect(result.json).toBe('300000000');
      else
        expect([
          'expression-memory',
          'expression-output',
          'expression-failed',
          'expression-deadline',
        ]).toContain(result.code);
    }
    expect(results[1]?.ok).toBe(false);
    expect(elapsedMs).toBeLessThan(2 * BOUND_MS);
  });

  it.each([
    ['endless tail recursion', '($f := function($x) { $f($x + 1) }; $f(0))'],
    ['endless deep recursion', '($f := function($x) { 1 + $f($x + 1) }; $f(0))'],
    ['a list of a hundred million', '$count([1..9999999].([1..9999999]))'],
    ['a fork of itself', '($f := function($x) { $f($x & $x) }; $f("aaaaaaaa"))'],
  ])('ends %s with a named problem', async (_name, expression) => {
    const { results, elapsedMs } = await timed([expression], {});
    expect(results[0]).toMatchObject({ ok: false });
    expect(elapsedMs).toBeLessThan(BOUND_MS);
  });

  it('hands an object with the key __proto__ over as data that changes nothing', async () => {
    const { results } = await timed(['{"__proto__": {"polluted": true}}'], {});
    const [result] = results;
    expect(result?.ok).toBe(true);
    expect(({} as { polluted?: boolean }).polluted).toBeUndefined();
  });

  it('survives an expression that takes its whole process down, and so does the work beside it', async () => {
    const beside = Array.from({ length: 5 }, (_, i) => pool.evaluate([`${i} + 1`], '{}'));
    const { results } = await timed(['a', '$length($pad("x", 300000000))', 'b'], { a: 1, b: 2 });
    expect(results[0]).toEqual({ ok: true, json: '1' });
    // On a machine too busy to fill the memory within the deadline, the deadline comes first.
    expect(results[1]).toMatchObject({ ok: false });
    expect(results[1]).toHaveProperty(
      'code',
      expect.stringMatching(/^expression-(?:memory|deadline)$/),
    );
    expect(results[2]).toEqual({ ok: true, json: '2' });
    const sums = await Promise.all(beside);
    expect(sums.map(([sum]) => sum)).toEqual(
      [1, 2, 3, 4, 5].map((n) => ({ ok: true, json: `${n}` })),
    );
  });

  it('ends its process with the gateway, also while an expression burns', async () => {
    const child = fork(join(repositoryRoot(), 'dist/mapping/expression.process.js'), ['1'], {
      execArgv: [],
    });
    const task = { expressions: ['$match(s, /^(a+)+$/)'], subject: `{"s":"${'a'.repeat(40)}!"}` };
    const gone = new Promise((resolve) => child.once('exit', resolve));
    child.send({ id: 1, name: 'evaluate', task }, () => child.disconnect());
    expect(await gone).toBe(0);
  });

  it('does not count waiting in the queue against an expression', async () => {
    const slow = pool.evaluate(
      ['$match(s, /^(a+)+$/)'],
      JSON.stringify({ s: `${'a'.repeat(29)}!` }),
    );
    const quick = await pool.evaluate(['1 + 1'], '{}');
    expect(quick).toEqual([{ ok: true, json: '2' }]);
    expect((await slow)[0]).toMatchObject({ code: 'expression-deadline' });
  });

  it('leaves the main thread free while an expression burns', async () => {
    const waiting = pool.evaluate(
      ['$match(s, /^(a+)+$/)'],
      JSON.stringify({ s: `${'a'.repeat(29)}!` }),
    );
    let turns = 0;
    let isDone = false;
    const counted = (async () => {
      while (!isDone) {
        await new Promise((resolve) => setImmediate(resolve));
        turns += 1;
      }
    })();
    await waiting;
    isDone = true;
    await counted;
    expect(turns).toBeGreaterThan(100);
  });

  it('checks a contract whose pattern backtracks without end within the bound', async () => {
    const schema = JSON.stringify({
      type: 'object',
      properties: { s: { type: 'string', pattern: '^(a+)+$' } },
    });
    expect(await pool.checkContract(schema, { s: 'aaa' })).toEqual({ ok: true, errors: [] });
    const result = await pool.checkContract(schema, { s: `${'a'.repeat(35)}!` });
    expect(result).toMatchObject({ ok: false });
  });

  it.each([
    'expression.process',
    'expression-threads.pool',
    'expression.worker',
    'contract',
    'expression-task',
  ])('runs a worker that was built from the source beside it (%s)', (name) => {
    const file = (path: string) => readFileSync(join(repositoryRoot(), path), 'utf8');
    const config = ts.parseConfigFileTextToJson('tsconfig.json', file('tsconfig.json')).config as {
      compilerOptions: Record<string, unknown>;
    };
    const { options } = ts.convertCompilerOptionsFromJson(config.compilerOptions, repositoryRoot());
    const fresh = ts.transpileModule(file(`src/mapping/${name}.ts`), {
      // The package is ESM; alone, without package.json, the compiler would not know.
      compilerOptions: { ...options, noEmit: false, module: ts.ModuleKind.ESNext },
      fileName: `${name}.ts`,
    }).outputText;
    const plain = (text: string) => text.replace(/\n?\/\/# sourceMappingURL=.*\n?$/, '').trim();
    expect(plain(file(`dist/mapping/${name}.js`)), 'dist is stale: run npm run build').toBe(
      plain(fresh),
    );
  });
});
