import type { MappingDocument, MessageName } from './mapping-document.js';
import { addressAllowed, parseCidr } from './network.js';
import type { DocumentPath, RuleFault } from './site-fault.js';
import type { SiteFile } from './site-file.js';
import type { Destination } from './site-folder.js';

/**
 * Rules about destinations: settings that together could post twice, stops that could not be sent or seen,
 * addresses that cannot be checked. `mappings` holds null for a mapping file that could not be read, which
 * is a fault of its own. Base URLs are checked after substitution.
 */
export function destinationFaults(
  site: Partial<SiteFile>,
  mappings: ReadonlyMap<string, MappingDocument | null>,
): RuleFault[] {
  const destinations = site.destinations ?? [];
  return [
    ...destinations.flatMap((destination, index) => {
      const at = (...rest: DocumentPath): DocumentPath => ['destinations', index, ...rest];
      return [
        ...timingFaults(destination, at),
        ...keyFaults(destination, at),
        ...endpointFaults(destination, site.environment, at),
        ...mappingFaults(destination, mappings.get(destination.name), at),
        ...validityFaults(destination, site.limits?.statementValidMs, at),
      ];
    }),
    ...actingFaults(destinations),
    ...escalationFaults(site, mappings),
  ];
}

type At = (...rest: DocumentPath) => DocumentPath;

function timingFaults({ timing, name }: Destination, at: At): RuleFault[] {
  const faults: RuleFault[] = [];
  if (timing.settleMs < timing.processingMs) {
    faults.push({
      path: at('timing', 'settleMs'),
      rule: 'could-post-twice',
      message: `${name} may take ${timing.processingMs} ms to apply what it stored, and "absent" would count after ${timing.settleMs} ms`,
      remedy: `Set settleMs to at least ${timing.processingMs}.`,
    });
  }
  if (timing.retryMaxMs < timing.retryBaseMs) {
    faults.push({
      path: at('timing', 'retryMaxMs'),
      rule: 'retry-bounds',
      message: `the longest wait (${timing.retryMaxMs} ms) lies below the first one (${timing.retryBaseMs} ms)`,
      remedy: 'Let retryMaxMs be at least retryBaseMs.',
    });
  }
  return faults;
}

/** A key that is forgotten before the last retry under it would let that one be stored a second time. */
function keyFaults({ name, honoursKey, keyLifetimeMs, timing }: Destination, at: At): RuleFault[] {
  if (keyLifetimeMs === undefined) return [];
  if (!honoursKey) {
    return [
      {
        path: at('keyLifetimeMs'),
        rule: 'key-lifetime-without-key',
        message: `${name} does not honour keys, so it remembers none`,
        remedy: 'Set honoursKey to true if it does, or remove keyLifetimeMs.',
      },
    ];
  }
  const needed = timing.deadlineMs + timing.retryMaxMs;
  if (keyLifetimeMs > needed) return [];
  return [
    {
      path: at('keyLifetimeMs'),
      rule: 'key-lifetime-too-short',
      message: `${name} may forget a key after ${keyLifetimeMs} ms, and one retry may end ${needed} ms after the send before it`,
      remedy:
        'Lower retryMaxMs or deadlineMs; or set honoursKey to false, so that doubts are asked about.',
    },
  ];
}

function endpointFaults(
  { endpoint }: Destination,
  environment: SiteFile['environment'] | undefined,
  at: At,
): RuleFault[] {
  if (endpoint.kind !== 'http') return [];
  const faults = endpoint.allow.flatMap((block, index): RuleFault[] =>
    parseCidr(block)
      ? []
      : [
          {
            path: at('endpoint', 'allow', index),
            rule: 'cidr',
            message: `${JSON.stringify(block)} is no CIDR block`,
            remedy: 'Write network/prefix with no bits set behind the prefix, e.g. 10.20.0.0/16.',
          },
        ],
  );
  return [
    ...faults,
    ...urlFaults(endpoint.baseUrl, endpoint.allow, environment, at('endpoint', 'baseUrl')),
  ];
}

function urlFaults(
  text: string,
  allow: readonly string[],
  environment: SiteFile['environment'] | undefined,
  path: DocumentPath,
): RuleFault[] {
  const url = URL.canParse(text) ? new URL(text) : null;
  if (
    !url ||
    !['http:', 'https:'].includes(url.protocol) ||
    url.username ||
    url.password ||
    url.search ||
    url.hash
  ) {
    return [
      {
        path,
        rule: 'base-url',
        message: `${JSON.stringify(withoutCredentials(text))} is no plain http or https address`,
        remedy:
          'Write scheme, host and path only; credentials belong into bearer, queries into the mapping.',
      },
    ];
  }
  const faults: RuleFault[] = [];
  if (environment === 'production' && url.protocol !== 'https:') {
    faults.push({
      path,
      rule: 'plain-http-in-production',
      message: `${url.host} would be reached without encryption in a production environment`,
      remedy: 'Use https.',
    });
  }
  const literal = url.hostname.startsWith('[') ? url.hostname.slice(1, -1) : url.hostname;
  const isLiteral = literal.includes(':') || /^[\d.]+$/.test(literal);
  if (isLiteral && !addressAllowed(literal, allow)) {
    faults.push({
      path,
      rule: 'address-not-allowed',
      message: `${literal} lies in none of the blocks of allow`,
      remedy:
        'Correct the address, or add the block it lies in; special ranges have to be named themselves.',
    });
  }
  return faults;
}

/** Whatever stands where credentials stand, in an address or in what should be one; a query may hold them too. */
function withoutCredentials(text: string): string {
  return text
    .replace(/^[^?#]*@/, (before) => `${/^\w+:\/\//.exec(before)?.[0] ?? ''}…@`)
    .replace(/[?#].*$/s, '?…');
}

function mappingFaults(
  destination: Destination,
  mapping: MappingDocument | null | undefined,
  at: At,
): RuleFault[] {
  const { name, acts, requiredForStatement } = destination;
  if (mapping === null) return [];
  if (mapping === undefined) {
    return [
      {
        path: at('name'),
        rule: 'mapping-missing',
        message: `there is no ${name}.mapping.yaml`,
        remedy: 'Add the mapping file, or remove the destination.',
      },
    ];
  }
  const faults: RuleFault[] = [];
  const needs = (message: MessageName, why: string) => {
    if (mapping.messages[message] !== undefined) return;
    faults.push({
      path: at('name'),
      rule: message === 'stop' ? 'no-stop-no-conforms' : 'message-missing',
      message: `${name}.mapping.yaml has no ${message} message, and ${why}`,
      remedy: `Map the ${message} message.`,
    });
  };
  const askable = (message: MessageName, why: string) => {
    const found = mapping.messages[message];
    if (found === undefined || found.readBack !== null) return;
    faults.push({
      path: at('name'),
      rule: 'read-back-missing',
      message: `${name} cannot be asked about its ${message} messages, and ${why}`,
      remedy: `Give the ${message} message a readBack.`,
    });
  };
  if (mapping.messages.result)
    needs('withdrawal', 'a result held later could not be withdrawn there');
  if (requiredForStatement) {
    needs('result', 'a statement waits for results to be confirmed there');
    askable('result', 'a statement waits for results to be confirmed there');
  }
  if (acts) {
    needs('statement', 'the destination acts on statements');
    needs('stop', 'a destination that acts has to be stopped');
    askable('stop', 'a stop counts only when it was seen there');
    if (mapping.permits.length === 0) {
      faults.push({
        path: at('name'),
        rule: 'acting-without-permits',
        message: `${name} acts, and ${name}.mapping.yaml declares no value that permits release, so nothing could be checked against it`,
        remedy: `Declare under permits where ${name} looks for the permission, and every value it releases on.`,
      });
    }
  } else if (mapping.permits.length > 0) {
    faults.push({
      path: at('acts'),
      rule: 'permits-without-acting',
      message: `${name}.mapping.yaml declares values that permit release, and ${name} does not act`,
      remedy: 'Set acts to true, or remove permits.',
    });
  }
  return faults;
}

function validityFaults(
  destination: Destination,
  validMs: number | undefined,
  at: At,
): RuleFault[] {
  if (!destination.acts || validMs === undefined) return [];
  const needed = destination.timing.deadlineMs + destination.timing.processingMs;
  if (validMs > needed) return [];
  return [
    {
      path: at('timing'),
      rule: 'statement-expires-on-the-way',
      message: `a statement is valid for ${validMs} ms, and sending and applying it may take ${needed} ms`,
      remedy: 'Raise limits.statementValidMs, or lower deadlineMs and processingMs.',
    },
  ];
}

/** The second channel must be there, be another one than the stop itself takes, and know the message. */
function escalationFaults(
  { escalation, destinations }: Partial<SiteFile>,
  mappings: ReadonlyMap<string, MappingDocument | null>,
): RuleFault[] {
  const name = escalation?.destination;
  if (name === undefined || destinations === undefined) return [];
  const path = ['escalation', 'destination'];
  const destination = destinations.find((d) => d.name === name);
  if (destination === undefined) {
    return [
      {
        path,
        rule: 'unknown-destination',
        message: `there is no destination ${name}`,
        remedy: `Name one that is listed: ${destinations.map((d) => d.name).join(', ')}.`,
      },
    ];
  }
  if (destination.acts) {
    return [
      {
        path,
        rule: 'escalation-to-the-same',
        message: `${name} acts, and is where the stop itself is to be shown`,
        remedy: 'Name a destination that does not act, or write email.',
      },
    ];
  }
  const mapping = mappings.get(name);
  if (!mapping || mapping.messages['stop-escalation'] !== undefined) return [];
  return [
    {
      path,
      rule: 'message-missing',
      message: `${name}.mapping.yaml has no stop-escalation message, and ${name} is the second channel for stops`,
      remedy: 'Map the stop-escalation message.',
    },
  ];
}

function actingFaults(destinations: readonly Destination[]): RuleFault[] {
  const acting = destinations.filter((d) => d.acts);
  if (acting.length < 2) return [];
  return destinations.flatMap((destination, index): RuleFault[] =>
    destination.acts && destination !== acting[0]
      ? [
          {
            path: ['destinations', index, 'acts'],
            rule: 'several-acting-destinations',
            message: `${acting.map((d) => d.name).join(' and ')} would both release the same material`,
            remedy: 'Let one system act on each material.',
          },
        ]
      : [],
  );
}
