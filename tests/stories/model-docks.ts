/** Docks for days of a model: each day has one to itself with handhelds of its own, so that one world takes them all. */

/** At each dock. */
export const HANDHELDS = 2;

export function areaOf(n: number): string {
  return `dock-${n}`;
}

export function serialOf(n: number, handheld: number): string {
  return `NQ-M-${n}-${handheld}`;
}

/** Adds that many docks to a `site.yaml`. */
export function withDocks(count: number): (siteYaml: string) => string {
  const docks = [...Array(count).keys()];
  const areas = docks.map((n) => `  - { id: ${areaOf(n)}, title: Dock ${n} }\n`).join('');
  const handhelds = docks.flatMap((n) =>
    [...Array(HANDHELDS).keys()].map(
      (h) =>
        `  - { serial: ${serialOf(n, h)}, model: Dockside R1 (simulated), firmware: "1.4.2", laserWavelengthNm: "785", area: ${areaOf(n)}, inService: true }\n`,
    ),
  );
  return (siteYaml) =>
    siteYaml
      .replace('areas:\n', `areas:\n${areas}`)
      .replace('instruments:\n', `instruments:\n${handhelds.join('')}`);
}

/** Puts the handhelds of that many docks under the tolerances of a `performance-checks.yaml`. */
export function withChecksOf(count: number): (performanceYaml: string) => string {
  const serials = [...Array(count).keys()].flatMap((n) =>
    [...Array(HANDHELDS).keys()].map((h) => serialOf(n, h)),
  );
  return (performanceYaml) =>
    performanceYaml.replace('instruments: [', `instruments: [${serials.join(', ')}, `);
}
