import { MESSAGE_NAMES } from '../site/mapping-document.js';
import type { MappingSource } from '../site/mapping-source.js';
import type { ActiveMapping } from '../statements/statement-messages.js';

/** What new deliveries pin: the digest of each destination's mapping and the messages it knows. */
export function activeMappings(
  sources: ReadonlyMap<string, MappingSource>,
): ReadonlyMap<string, ActiveMapping> {
  return new Map(
    [...sources.values()].map((source) => [
      source.destination,
      {
        digest: source.digest,
        messages: MESSAGE_NAMES.filter((name) => source.document.messages[name] !== undefined),
      },
    ]),
  );
}
