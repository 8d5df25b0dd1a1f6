/** Closed vocabularies shared by bundles, records, mappings and statements. */
export type Environment = 'production' | 'validation' | 'training';
export type Origin = 'instrument' | 'packed' | 'simulated';
export type Mode = 'verification' | 'identification';
export type Decision = 'pass' | 'fail' | 'match' | 'no-match' | 'inconclusive' | 'aborted';

export const ORIGINS: readonly Origin[] = ['instrument', 'packed', 'simulated'];
export const ENVIRONMENTS: readonly Environment[] = ['production', 'validation', 'training'];
export const DECISIONS: readonly Decision[] = [
  'pass',
  'fail',
  'match',
  'no-match',
  'inconclusive',
  'aborted',
];

/** Which origins may cover a container in which environment (release-safety rule 7). */
export function originCovers(environment: Environment, origin: Origin): boolean {
  switch (environment) {
    case 'production':
      return origin === 'instrument';
    case 'validation':
      return origin !== 'simulated';
    case 'training':
      return true;
  }
}

/**
 * Contrary means fail, no match, a match naming another material, inconclusive or aborted. A match whose
 * material is unknown is contrary too: nothing says it agrees.
 */
export function isContrary(
  decision: Decision,
  matchedMaterial: string | null,
  expectedMaterial: string | null,
): boolean {
  if (decision === 'pass') return false;
  if (decision !== 'match') return true;
  return (
    matchedMaterial === null || (expectedMaterial !== null && matchedMaterial !== expectedMaterial)
  );
}

/** What is inspected of a receipt by attributes; identity is none of them. */
export const INSPECTED_ATTRIBUTES = ['labels', 'damage'] as const;
