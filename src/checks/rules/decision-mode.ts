import type { Decision } from '../../site/vocabulary.js';
import type { ResultRule } from '../rule.js';

const ONLY_IN: Readonly<Partial<Record<Decision, 'verification' | 'identification'>>> = {
  pass: 'verification',
  fail: 'verification',
  match: 'identification',
  'no-match': 'identification',
};

export const decisionMode: ResultRule = {
  info: {
    code: 'decision-mode',
    severity: 'hold',
    scope: 'result',
    needs: 'document',
    meaning: 'The decision is none that the mode can give.',
    advice: 'Find out at the instrument what was measured and how.',
  },
  find: ({ result }) => {
    const mode = ONLY_IN[result.decision];
    if (mode === undefined || mode === result.mode) return [];
    return [{ pointer: '/decision', message: `${result.decision} in mode ${result.mode}` }];
  },
};
