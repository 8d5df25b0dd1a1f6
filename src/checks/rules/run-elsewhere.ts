import type { BundleHistoryRule, Found } from '../rule.js';

/** Release-safety rule 10: what another run left behind says nothing of this one, whose own entry may be bad news. */
export const runElsewhere: BundleHistoryRule = {
  info: {
    code: 'run-elsewhere',
    severity: 'hold',
    scope: 'bundle',
    needs: 'history',
    meaning:
      'A result or performance check of the bundle stands already, word for word, as a run of another instrument or epoch.',
    advice:
      'Find out at the instrument what these runs are. A sync PC that sends old entries anew may leave out the ones that are due: have it send the runs of this instrument and epoch.',
  },
  find: ({ examination, facts }) => {
    const { instrumentSerial: instrument, runEpoch: epoch } = examination.header;
    if (instrument === null || epoch === null) return [];
    const entries = [...examination.results, ...examination.performanceChecks];
    return entries.flatMap(({ pointer, sha256 }): Found[] => {
      const places = facts.places?.get(sha256) ?? [];
      const [other] = places;
      const isHere = places.some((p) => p.instrument === instrument && p.epoch === epoch);
      if (other === undefined || isHere) return [];
      const message = `taken before as a run of ${other.instrument}, epoch ${other.epoch}`;
      return [{ pointer, message }];
    });
  },
};
