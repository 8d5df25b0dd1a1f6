import type { RuleFault } from './site-fault.js';
import type { SiteFile } from './site-file.js';
import type { Destination } from './site-folder.js';

export type EnvironmentVariables = Readonly<Record<string, string | undefined>>;

const PLACEHOLDER = /\$\{([A-Za-z_][A-Za-z0-9_]*)(?::-([^}]*))?\}/g;

/**
 * Fills `${NAME}` and `${NAME:-default}` in where a destination lives (`baseUrl`, `directory`), and nowhere
 * else: the same digested folder then serves a rehearsal and the site. A variable that is not set and has
 * no default is a fault.
 */
export function substituted(
  destinations: readonly Destination[],
  env: EnvironmentVariables,
): { readonly destinations: readonly Destination[]; readonly faults: readonly RuleFault[] } {
  const faults: RuleFault[] = [];
  const filled = destinations.map((destination, index): Destination => {
    const { endpoint } = destination;
    const fill = (key: string, text: string): string =>
      text.replace(PLACEHOLDER, (whole, name: string, fallback: string | undefined) => {
        const value = env[name] || fallback;
        if (value !== undefined) return value;
        faults.push({
          path: ['destinations', index, 'endpoint', key],
          rule: 'variable-missing',
          message: `the environment variable ${name} is not set`,
          remedy: `Set it, or write a default: \${${name}:-…}.`,
        });
        return whole;
      });
    return {
      ...destination,
      endpoint:
        endpoint.kind === 'http'
          ? { ...endpoint, baseUrl: fill('baseUrl', endpoint.baseUrl) }
          : { ...endpoint, directory: fill('directory', endpoint.directory) },
    };
  });
  return { destinations: filled, faults };
}

/** Placeholders where they would stay as they stand. */
export function misplacedPlaceholders(site: Partial<SiteFile>): RuleFault[] {
  const faults: RuleFault[] = [];
  const walk = (value: unknown, path: (string | number)[]) => {
    if (typeof value === 'string') {
      const key = path.at(-1);
      const isFilled = path[0] === 'destinations' && (key === 'baseUrl' || key === 'directory');
      if (!isFilled && value.includes('${')) {
        faults.push({
          path,
          rule: 'substitution-not-allowed',
          message: `${JSON.stringify(value.slice(0, 80))} would stay as it stands`,
          remedy:
            'Variables are filled in only in baseUrl and directory of a destination: write the value.',
        });
      }
    } else if (typeof value === 'object' && value !== null) {
      for (const [key, member] of Object.entries(value)) {
        walk(member, [...path, Array.isArray(value) ? Number(key) : key]);
      }
    }
  };
  walk(site, []);
  return faults;
}
