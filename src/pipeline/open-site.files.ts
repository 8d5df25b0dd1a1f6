import { Misconfigured } from '../errors.js';
import { describeFault } from '../site/site-fault.js';
import { type LoadedSiteFolder, loadSiteFolder } from '../site/site-folder.files.js';

/**
 * Loads the site folder the service will run from.
 *
 * @throws Misconfigured with every fault, each with file, line, rule and remedy.
 */
export async function openSite(
  directory: string,
  env: Readonly<Record<string, string | undefined>>,
): Promise<LoadedSiteFolder> {
  const loaded = await loadSiteFolder(directory, env);
  if (!loaded.ok) {
    throw new Misconfigured('site-folder-invalid', {
      found: `${loaded.faults.length} ${loaded.faults.length === 1 ? 'fault' : 'faults'} in ${directory}\n${loaded.faults.map(describeFault).join('\n')}`,
    });
  }
  return loaded;
}
