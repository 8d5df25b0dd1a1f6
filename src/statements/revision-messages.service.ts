import { recordAudit } from '../audit/audit.store.js';
import { statementKey, stopKey } from '../delivery/new-delivery.js';
import {
  cancelUnsentConforms,
  enqueueDelivery,
  supersedeWaitingStatements,
} from '../delivery/outbox.store.js';
import type { Instant } from '../formats/instant.js';
import type { StatementRecord } from '../records/statement-record.js';
import type { SiteFolder } from '../site/site-folder.js';
import type { Trx } from '../storage/database.js';
import type { StatementDraft } from './evaluate-statement.js';
import { type ActiveMapping, statementMessages } from './statement-messages.js';
import type { StopDecision } from './stop-decision.js';

interface Settings {
  readonly site: SiteFolder;
  readonly mappings: ReadonlyMap<string, ActiveMapping>;
  readonly epoch: number;
}

/** A statement revision that was just stored. */
export interface StoredRevision {
  readonly receiptId: string;
  readonly draft: StatementDraft;
  readonly stop: StopDecision;
  /** Id of this revision's stop, when it is one. */
  readonly stopId: string;
  readonly revision: number;
  readonly latest: StatementRecord | null;
  readonly now: Instant;
}

/**
 * Takes back what the revision makes untrue or old: with anything but *conforms*, every *conforms* that has
 * not left; and in any case statements of lower revisions that still wait. Returns the delivery ids.
 */
export async function takeBackConforms(
  trx: Trx,
  settings: Settings,
  { receiptId, draft, stop, revision, now }: StoredRevision,
): Promise<readonly string[]> {
  const { site } = settings.site;
  const ids: string[] = [];
  if (draft.outcome !== 'conforms') {
    const reason =
      stop.kind === 'none'
        ? `statement revision ${revision} is ${draft.outcome}`
        : `${stop.kind}: ${stop.reason}`;
    const taken = await cancelUnsentConforms(trx, site, receiptId, reason, now);
    ids.push(...taken.cancelled, ...taken.fenced);
  }
  const of = { site, receiptId, belowRevision: revision, now };
  ids.push(...(await supersedeWaitingStatements(trx, of)));
  return ids;
}

/** Puts the revision's messages into the outbox: a stop or a statement for each destination. */
export async function tellDestinations(
  trx: Trx,
  settings: Settings,
  { receiptId, draft, stop, stopId, revision, now }: StoredRevision,
): Promise<void> {
  const { site, destinations } = settings.site;
  const isConforms = draft.outcome === 'conforms';
  const kind = { isStop: stop.kind !== 'none', isConforms };
  for (const told of statementMessages(destinations, settings.mappings, kind)) {
    const isStopMessage = told.message === 'stop';
    await enqueueDelivery(trx, {
      site,
      subjectKind: told.message,
      subjectId: isStopMessage ? stopId : receiptId,
      subjectRevision: revision,
      receiptId,
      destination: told.destination,
      message: told.message,
      orderingKey: isStopMessage ? stopKey(receiptId) : statementKey(receiptId),
      isConforms,
      isContrary: !isConforms,
      mappingDigest: told.mappingDigest,
      epoch: settings.epoch,
      now,
    });
  }
}

/** One entry of the trail for the revision, and one for its stop. */
export async function auditRevision(
  trx: Trx,
  settings: Settings,
  { receiptId, draft, stop, stopId, revision, latest, now }: StoredRevision,
  takenBack: readonly string[],
): Promise<void> {
  const entry = {
    site: settings.site.site,
    zone: settings.site.timeZone,
    at: now,
    actor: { kind: 'system', name: 'statements' },
  } as const;
  await recordAudit(trx, {
    ...entry,
    action: 'statement.revised',
    subjectKind: 'receipt',
    subjectId: receiptId,
    ...(latest ? { before: { revision: latest.revision, outcome: latest.outcome } } : {}),
    after: {
      revision,
      outcome: draft.outcome,
      open: draft.conditions.filter((c) => c.state !== 'met').map((c) => `${c.code} ${c.state}`),
      takenBack,
    },
  });
  if (stop.kind === 'none') return;
  await recordAudit(trx, {
    ...entry,
    action: 'stop.issued',
    subjectKind: 'stop',
    subjectId: stopId,
    reason: stop.reason,
    after: { receiptId, kind: stop.kind, cause: stop.cause, statementRevision: revision },
  });
}
