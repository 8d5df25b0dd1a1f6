import { MESSAGE_NAMES } from '../mapping/mapping-document.js';
import type { LoadedSiteFolder } from '../site/site-folder.files.js';
import type { ActiveMapping } from '../statements/statement-messages.js';

/** What new deliveries pin: the digest of each destination's mapping and the messages it knows. */
export function activeMappings(
  folder: Pick<LoadedSiteFolder, 'mappingSources'>,
): ReadonlyMap<string, ActiveMapping> {
  return new Map(
    [...folder.mappingSources.values()].map((source) => [
      source.destination,
      {
        digest: source.digest,
        messages: MESSAGE_NAMES.filter((name) => source.document.messages[name] !== undefined),
      },
    ]),
  );
}
