import type { Destination, SecretReference } from '../site/site-folder.js';
import { CLAIM_MAX } from './claim-policy.js';
import type { Endpoint } from './endpoint.js';
import { FileDropEndpoint } from './file-drop.endpoint.js';
import { HttpEndpoint } from './http.endpoint.js';

/**
 * The endpoint of a destination.
 *
 * @param secrets resolves a secret reference at the moment of use; may throw when it is not there
 */
export function openEndpoint(
  destination: Destination,
  secrets: (reference: SecretReference) => string,
): Endpoint {
  const config = destination.endpoint;
  switch (config.kind) {
    case 'http':
      return new HttpEndpoint({
        config,
        // Sends and as many questions, and beside them a claim's worth of stops and of questions about them.
        connectionsMax: 2 * (destination.timing.inFlightMax + CLAIM_MAX),
        connectTimeoutMs: destination.timing.deadlineMs,
        bearer: () => (config.bearer === null ? null : secrets(config.bearer)),
      });
    case 'file-drop':
      return new FileDropEndpoint({ directory: config.directory });
  }
}
