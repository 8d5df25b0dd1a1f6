import { describe, expect, it } from 'vitest';
import {
  answerSampling,
  IDENTITY_PLANS,
  type SamplingQuestion,
} from '../../src/receipts/sampling-answer.js';
import { chooseContainers } from '../../src/receipts/sampling-plan.js';

const ask = (question: Partial<SamplingQuestion> & Pick<SamplingQuestion, 'plan'>) =>
  answerSampling({ lotSize: '40', ...question });

function answer(question: Parameters<typeof ask>[0]) {
  const reply = ask(question);
  if (!reply.ok) throw new Error(`${reply.code}: ${reply.found}`);
  return reply.answer;
}

describe('the answer about a plan', () => {
  it.each([
    ['every', 40, undefined],
    ['sqrt', 8, undefined],
    ['who-n', 7, undefined],
    ['who-p', 40, { what: 'composites', n: 3 }],
    ['who-r', 40, { what: 'full tests', n: 10 }],
  ])('%s: %i of 40 containers are identified, none may fail', (plan, n, later) => {
    const found = answer({ plan });
    expect(found).toMatchObject({ plan, purpose: 'identity', n, accept: 0, reject: 1 });
    expect(found.later).toEqual(later);
    expect(found.source).not.toBe('');
  });

  it('rule 4: no identity plan accepts a failure, whatever the lot', () => {
    for (const plan of IDENTITY_PLANS) {
      const more = plan === 'fixed' ? { positions: '1' } : {};
      for (const lotSize of ['1', '2', '13', '500', '20000']) {
        const { accept, reject, n } = answer({ plan, lotSize, ...more });
        expect({ accept, reject }).toEqual({ accept: 0, reject: 1 });
        expect(n).toBeGreaterThan(0);
      }
    }
  });

  it('rounds up unless told otherwise, and says which', () => {
    expect(answer({ plan: 'sqrt' })).toMatchObject({ n: 8, rounding: 'up' });
    expect(answer({ plan: 'sqrt', rounding: 'nearest' })).toMatchObject({
      n: 7,
      rounding: 'nearest',
    });
  });

  it('names the containers that a seed chooses, the same ones every time', () => {
    const { containers, seed } = answer({ plan: 'sqrt', seed: 's1' });
    const labels = Array.from({ length: 40 }, (_, at) => String(at + 1));
    const chosen = [...chooseContainers(labels, 8, 's1')].map(Number).sort((a, b) => a - b);
    expect({ containers, seed }).toEqual({ containers: chosen, seed: 's1' });
    expect(answer({ plan: 'sqrt', seed: 's2' }).containers).not.toEqual(containers);
  });

  // Source: 1 - n/N of the project's sampling notes: N = 10, n = 5; N = 40, n = 8; N = 100, n = 11.
  it.each([
    ['10', 0.5],
    ['40', 0.8],
    ['100', 0.89],
  ])('says how likely one wrong container of %s is missed by sqrt(N) + 1: %f', (lotSize, p) => {
    expect(answer({ plan: 'sqrt', lotSize }).missesOneWrong).toBe(p);
  });

  it('takes an AQL however its zeros are written', () => {
    for (const aql of ['1', '1.0', '1.00']) {
      expect(answer({ plan: 'iso2859', lotSize: '200', aql })).toMatchObject({
        aql: '1.0',
        codeLetter: 'H',
        purpose: 'label or damage',
        n: 50,
        accept: 1,
        reject: 2,
      });
    }
  });

  it.each([
    [{ plan: 'all' }, 'sampling-plan'],
    [{ plan: 'toString' }, 'sampling-plan'],
    [{ plan: 'sqrt', rounding: 'half' }, 'sampling-plan'],
    [{ plan: 'every', rounding: 'up' }, 'sampling-plan'],
    [{ plan: 'sqrt', aql: '1.0' }, 'sampling-plan'],
    [{ plan: 'iso2859', aql: '1.0', seed: 's' }, 'sampling-plan'],
    [{ plan: 'every', lotSize: '0' }, 'sampling-lot-size'],
    [{ plan: 'every', lotSize: '1.5' }, 'sampling-lot-size'],
    [{ plan: 'every', lotSize: '-3' }, 'sampling-lot-size'],
    [{ plan: 'every', lotSize: '20001' }, 'sampling-lot-size'],
    [{ plan: 'every', lotSize: 'many' }, 'sampling-lot-size'],
    [{ plan: 'every', lotSize: '' }, 'sampling-lot-size'],
    [{ plan: 'iso2859', aql: '1.0', lotSize: '0' }, 'sampling-lot-size'],
    [{ plan: 'iso2859', aql: '1.0', level: 'IV' }, 'sampling-level'],
    [{ plan: 'iso2859', aql: '1.0', level: 'III', lotSize: '500001' }, 'sampling-level'],
    [{ plan: 'iso2859', aql: '3' }, 'sampling-aql'],
    [{ plan: 'iso2859' }, 'sampling-aql'],
    [{ plan: 'iso2859', aql: '' }, 'sampling-aql'],
    [{ plan: 'fixed' }, 'sampling-positions'],
    [{ plan: 'fixed', positions: '1,1' }, 'sampling-positions'],
    [{ plan: 'fixed', positions: '0' }, 'sampling-positions'],
    [{ plan: 'fixed', positions: '1,,2' }, 'sampling-positions'],
  ])('%j is refused by the name %s', (question, code) => {
    expect(ask(question)).toMatchObject({ ok: false, code });
  });

  it.each(['1', '20000'])('a lot of %s is defined by every plan', (lotSize) => {
    for (const plan of ['every', 'sqrt', 'who-n', 'who-p', 'who-r']) {
      expect(answer({ plan, lotSize }).n).toBeGreaterThan(0);
    }
    expect(answer({ plan: 'iso2859', aql: '1.0', lotSize }).n).toBeGreaterThan(0);
  });
});
