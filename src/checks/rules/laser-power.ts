import type { ResultRule } from '../rule.js';

export const laserPower: ResultRule = {
  info: {
    code: 'laser-power',
    severity: 'remark',
    scope: 'result',
    needs: 'site',
    meaning: 'The laser was stronger than the site allows for this material (0: no laser at all).',
    advice:
      'Stop measuring this material like that. A laser can heat and ignite dark, energetic or solvent-wet material and harm eyes: follow the instrument’s instructions and the site’s laser and ignition rules. The sample may have changed under it.',
    limit: 'lasers[].powerMaxMw',
  },
  find: ({ limits, result }) => {
    const limit = limits?.all.lasers.find((l) => l.material === result.material)?.powerMaxMw;
    const power = result.acquisition.laserPowerMw;
    if (limit === undefined) return [];
    if (power === undefined) {
      const message = `the result does not state its laser power; ${result.material} takes at most ${limit.value} mW`;
      return [{ pointer: '/acquisition', message, limit }];
    }
    if (Number(power) <= Number(limit.value)) return [];
    return [
      {
        pointer: '/acquisition/laserPowerMw',
        message: `${power} mW on ${result.material}, expected at most ${limit.value} mW`,
        numbers: { found: power },
        limit,
      },
    ];
  },
};
