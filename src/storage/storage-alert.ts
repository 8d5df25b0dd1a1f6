import type { ErrorCode } from '../error-registry.js';

/** Something about the database that a person should look at while the service goes on. */
export interface StorageAlert {
  readonly code: Extract<
    ErrorCode,
    | 'database-clock-off'
    | 'database-clock-stepped'
    | 'database-connection-lost'
    | 'database-not-durable'
    | 'database-not-tidied'
  >;
  readonly found: string;
}
