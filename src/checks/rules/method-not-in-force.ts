import { formatInstant } from '../../formats/instant.js';
import { measuredSpan, versionsInForce, whyNotInForce } from '../../site/method-force.js';
import type { ResultRule } from '../rule.js';

/** Release-safety rules 5 and 30: judged by the version that was in force when it was measured. */
export const methodNotInForce: ResultRule = {
  info: {
    code: 'method-not-in-force',
    severity: 'hold',
    scope: 'result',
    needs: 'site',
    meaning:
      'The version of the method was not in force when it was measured, or the assumed offset of the time leaves that open.',
    advice:
      'Load the version in force on the instrument and measure again; set its time zone where the offset was assumed.',
  },
  find: ({ bundle, method, measuredAt, result }) => {
    if (method === null || measuredAt === null) return [];
    const span = measuredSpan(measuredAt.instant, measuredAt.reported, result.timeSource);
    const why = whyNotInForce(method, span);
    if (why === null) return [];
    const inForce = versionsInForce(bundle.site.folder.methods, method.id, span);
    const versions = inForce.map((m) => m.version).join(', ');
    const when =
      span.from === span.to
        ? `at ${formatInstant(span.from)}`
        : `between ${formatInstant(span.from)} and ${formatInstant(span.to)} (the offset was assumed)`;
    const message = `${method.id} version ${method.version} ${why}; measured ${when}, in force then: ${versions === '' ? 'no version' : `version ${versions}`}`;
    return [{ pointer: '/method', message }];
  },
};
