import type { DestinationSecrets } from '../access/secret-mask.js';
import type { Destination } from '../site/site-folder.js';
import { STOPS_MAX } from './claim-policy.js';
import type { Endpoint } from './endpoint.js';
import { FileDropEndpoint } from './file-drop.endpoint.js';
import { HttpEndpoint } from './http.endpoint.js';

/** The endpoint of a destination; its secret is resolved at the moment of use. */
export function openEndpoint(
  destination: Destination,
  secrets: Pick<DestinationSecrets, 'bearer' | 'refused'>,
): Endpoint {
  const config = destination.endpoint;
  switch (config.kind) {
    case 'http':
      return new HttpEndpoint({
        config,
        // Sends and as many questions, and beside them a claim's worth of stops and of questions about them.
        connectionsMax: 2 * (destination.timing.inFlightMax + STOPS_MAX),
        connectTimeoutMs: destination.timing.deadlineMs,
        bearer: () => (config.bearer === null ? null : secrets.bearer(config.bearer)),
        onDenied: () => {
          if (config.bearer !== null) secrets.refused(config.bearer);
        },
      });
    case 'file-drop':
      return new FileDropEndpoint({ directory: config.directory });
  }
}
