import { isDeepStrictEqual } from 'node:util';
import { uuidv7 } from 'uuidv7';
import { type Actor, recordAudit } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import type { DiscrepancyEventRow, DiscrepancyRow } from '../storage/tables.js';
import { DISCREPANCY_RULES } from './discrepancies.js';
import type { DiscrepancyFilter } from './discrepancy-filter.js';
import { type DiscrepancyGroup, groupDiscrepancies } from './discrepancy-grouping.js';
import {
  countDiscrepancies,
  discrepancyPage,
  eventsOf,
  findDiscrepancy,
  insertEvent,
  setOwner,
} from './discrepancy-list.store.js';
import type { DiscrepancyQuery } from './discrepancy-query.js';
import { type ListedDiscrepancy, listedDiscrepancy } from './listed-discrepancy.js';
import { writeCursor } from './page-cursor.js';
import type { ReconciledSite } from './reconciliation.service.js';

/** One step in the life of a discrepancy. */
export interface DiscrepancyStep {
  readonly at: Instant;
  readonly what: 'opened' | 'comment' | 'evidence' | 'owner' | 'closed';
  /** Account id, key id, or the part of the service. */
  readonly who: string;
  readonly text: string;
  readonly reference: string | null;
}

export interface DiscrepancyDetail extends ListedDiscrepancy {
  readonly meaning: string;
  readonly history: readonly DiscrepancyStep[];
}

export type DiscrepancyAct =
  | { readonly kind: 'done' }
  | { readonly kind: 'unknown' }
  | { readonly kind: 'closed' }
  | { readonly kind: 'refused'; readonly fault: string };

const TEXT_LENGTH_MAX = 2_000;
const REFERENCE_LENGTH_MAX = 500;
/** Steps shown; a discrepancy that people wrote more about needs a meeting. */
const STEPS_MAX = 1_000;
const UUID = /^[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}$/;
const SENT_BEFORE =
  'this form was taken before, by somebody or with other words; nothing was added now: press the button again to add this';
const PERSON_OWNER = /^person:\S.{0,199}$/u;

/**
 * Discrepancies as people work on them: lists, one with its history, comments, references to evidence, owners.
 * Nothing here closes one: that is for evidence alone (rule 16).
 */
export class DiscrepanciesService {
  constructor(
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly site: Pick<ReconciledSite, 'site' | 'timeZone' | 'serviceTargetHours'>,
  ) {}

  async page({ filter, after, limit }: DiscrepancyQuery): Promise<{
    readonly items: readonly ListedDiscrepancy[];
    readonly next: string | null;
  }> {
    const { db } = this.database;
    const rows = await discrepancyPage(db, this.site.site, filter, after, limit + 1);
    const now = this.clock.now();
    const shown = rows.slice(0, limit);
    const last = shown.at(-1);
    return {
      items: shown.map((row) => listedDiscrepancy(row, this.#targets(), now)),
      next:
        rows.length > limit && last ? writeCursor({ openedAt: last.opened_at, id: last.id }) : null,
    };
  }

  async groups(filter: DiscrepancyFilter): Promise<readonly DiscrepancyGroup[]> {
    const { db } = this.database;
    const now = this.clock.now();
    return groupDiscrepancies(
      await countDiscrepancies(db, this.site.site, filter, this.#targets(), now),
    );
  }

  /** One with its whole history; null when there is none of this id. */
  async find(id: string): Promise<DiscrepancyDetail | null> {
    const { db } = this.database;
    const row = await findDiscrepancy(db, this.site.site, id);
    if (!row) return null;
    const events = await eventsOf(db, this.site.site, id, STEPS_MAX);
    return {
      ...listedDiscrepancy(row, this.#targets(), this.clock.now()),
      meaning: DISCREPANCY_RULES[row.class].title,
      history: history(row, events),
    };
  }

  /**
   * A comment never closes anything, also not one that names evidence.
   *
   * @param sentAs id of the form it was written in (a UUID): sent again, as by a second click, it is one comment
   */
  comment(
    id: string,
    said: { readonly text: string; readonly reference: string | null },
    actor: Actor,
    sentAs: string | null = null,
  ): Promise<DiscrepancyAct> {
    const fault = textFault('text', said.text, TEXT_LENGTH_MAX) ?? referenceFault(said.reference);
    if (fault !== null) return Promise.resolve({ kind: 'refused', fault });
    const step = {
      kind: said.reference === null ? ('comment' as const) : ('evidence' as const),
      text: said.text.trim(),
      reference: said.reference,
    };
    return this.#act(id, actor, step, sentAs !== null && UUID.test(sentAs) ? sentAs : uuidv7());
  }

  /** Gives it to a person (`person:<name>`), or back to the role of its class (null). With a reason. */
  assign(id: string, owner: string | null, reason: string, actor: Actor): Promise<DiscrepancyAct> {
    const fault =
      owner !== null && !PERSON_OWNER.test(owner)
        ? 'owner: expected person:<name>, or null for the role of its class'
        : textFault('reason', reason, TEXT_LENGTH_MAX);
    if (fault !== null) return Promise.resolve({ kind: 'refused', fault });
    return this.#act(id, actor, { kind: 'owner', text: reason.trim(), reference: owner });
  }

  #act(
    id: string,
    actor: Actor,
    step: Pick<DiscrepancyEventRow, 'kind' | 'text' | 'reference'>,
    eventId = uuidv7(),
  ): Promise<DiscrepancyAct> {
    return this.database.transact(async (trx) => {
      const row = await findDiscrepancy(trx, this.site.site, id);
      if (!row) return { kind: 'unknown' };
      if (step.kind === 'owner' && !(await setOwner(trx, row.site, id, step.reference))) {
        return { kind: 'closed' };
      }
      return this.#record(trx, row, actor, { id: eventId, ...step });
    });
  }

  async #record(
    trx: Trx,
    row: DiscrepancyRow,
    actor: Actor,
    step: Pick<DiscrepancyEventRow, 'id' | 'kind' | 'text' | 'reference'>,
  ): Promise<DiscrepancyAct> {
    const at = this.clock.now();
    const event = {
      site: row.site,
      discrepancy_id: row.id,
      at,
      actor_kind: actor.kind,
      actor: actor.name,
      ...step,
    };
    const there = await insertEvent(trx, event);
    if (there !== null) {
      const isSaidAgain = isDeepStrictEqual({ ...there, at }, event);
      return isSaidAgain ? { kind: 'done' } : { kind: 'refused', fault: SENT_BEFORE };
    }
    await recordAudit(trx, {
      site: row.site,
      zone: this.site.timeZone,
      at,
      actor,
      action: `discrepancy.${step.kind === 'owner' ? 'owned' : 'commented'}`,
      subjectKind: 'discrepancy',
      subjectId: row.id,
      reason: step.text,
      before: { class: row.class, subject: row.subject, owner: row.owner },
      after: step.kind === 'owner' ? { owner: step.reference } : { reference: step.reference },
    });
    return { kind: 'done' };
  }

  #targets() {
    return this.site.serviceTargetHours ?? {};
  }
}

function history(row: DiscrepancyRow, events: readonly DiscrepancyEventRow[]): DiscrepancyStep[] {
  const by = row.derived === 1 ? 'reconciliation' : 'the event';
  return [
    { at: row.opened_at, what: 'opened', who: by, text: row.detail, reference: row.subject },
    ...events.map((e) => ({
      at: e.at,
      what: e.kind,
      who: e.actor,
      text: e.text,
      reference: e.reference,
    })),
    ...(row.closed_at === null
      ? []
      : [
          {
            at: row.closed_at,
            what: 'closed' as const,
            who: by,
            text: 'closed by evidence',
            reference: row.closing_evidence,
          },
        ]),
  ];
}

function textFault(name: string, text: string, max: number): string | null {
  const { length } = text.trim();
  return length === 0 || length > max ? `${name}: expected 1 to ${max} characters` : null;
}

function referenceFault(reference: string | null): string | null {
  return reference === null ? null : textFault('reference', reference, REFERENCE_LENGTH_MAX);
}
