import { processEnvironment, readSettings } from '../config.js';
import { describeFault } from '../site/site-fault.js';
import { loadSiteFolder } from '../site/site-folder.files.js';
import type { SiteFolder } from '../site/site-folder.js';
import { progress } from './output.js';

/** Loads the site folder a command works by; null when it has faults, which are printed. */
export async function loadSiteForCommand(option: string | undefined): Promise<SiteFolder | null> {
  const env = processEnvironment();
  const { siteFolderDirectory } = readSettings(env, { siteFolder: option });
  const loaded = await loadSiteFolder(siteFolderDirectory, env);
  if (loaded.ok) return loaded.site;
  for (const fault of loaded.faults) progress(describeFault(fault));
  return null;
}
