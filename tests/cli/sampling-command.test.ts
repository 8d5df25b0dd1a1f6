import { describe, expect, it } from 'vitest';
import { runDrumline } from '../support/drumline-process.js';

async function sampling(...args: string[]) {
  const { ended, said } = runDrumline(['sampling', ...args]);
  return { code: await ended, ...said };
}

describe('drumline sampling', () => {
  it('prints one JSON line and nothing else', async () => {
    const { code, out, err } = await sampling(
      ...['--plan', 'iso2859', '--lot-size', '200', '--level', 'II', '--aql', '1.0', '--json'],
    );
    expect({ code, err }).toEqual({ code: 0, err: '' });
    expect(out.trimEnd().split('\n')).toHaveLength(1);
    expect(JSON.parse(out)).toMatchObject({ n: 50, accept: 1, reject: 2 });
  }, 60_000);

  it('refuses what no plan can be worked out for by name, with exit code 2', async () => {
    const { code, out, err } = await sampling('--plan', 'sqrt', '--lot-size', '0', '--json');
    expect({ code, out }).toEqual({ code: 2, out: '' });
    expect(err).toMatch(/^sampling-lot-size: .*--lot-size "0", expected a whole number from 1/);
  }, 60_000);
});
