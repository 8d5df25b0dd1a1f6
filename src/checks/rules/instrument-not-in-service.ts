import { whyNotInService } from '../../site/instrument-service.js';
import { measuredSpan } from '../../site/method-force.js';
import type { ResultRule } from '../rule.js';

export const instrumentNotInService: ResultRule = {
  info: {
    code: 'instrument-not-in-service',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning: 'The instrument was not in service, by its dates at the site, when it was measured.',
    advice:
      'Find out who measured with it; measure the container again, or correct the dates of the instrument.',
  },
  find: ({ bundle, measuredAt, result }) => {
    const { instrument } = bundle;
    // One that is out of service for good holds its whole bundle.
    if (instrument === null || measuredAt === null || !instrument.inService) return [];
    const span = measuredSpan(measuredAt.instant, measuredAt.reported, result.timeSource);
    const why = whyNotInService(instrument, span);
    if (why === null) return [];
    const message = `${instrument.serial} ${why}; measured at ${result.measuredAt}`;
    return [{ pointer: '/measuredAt', message }];
  },
};
