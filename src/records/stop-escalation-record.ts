import type { Environment } from '../site/vocabulary.js';
import type { StopKind } from './statement-record.js';

/** That a stop is not shown in force where it has to be: for a system that calls a person. Instants are RFC 3339, UTC. */
export interface StopEscalationRecord {
  readonly schema: 'drumline-stop-escalation';
  readonly version: '1.0';
  readonly site: string;
  readonly environment: Environment;
  readonly stopId: string;
  readonly kind: StopKind;
  readonly receiptId: string;
  readonly statementRevision: number;
  /** Why the stop was issued. */
  readonly reason: string;
  readonly issuedAt: string;
  /** From 1: how often the second channel was used for this stop, this time included. */
  readonly number: number;
  /** Who is to be told, as the site names them. */
  readonly person: string;
  /** Where it is missing. */
  readonly why: string;
  readonly escalatedAt: string;
}
