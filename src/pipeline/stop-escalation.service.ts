import type { Logger } from 'pino';
import { uuidv7 } from 'uuidv7';
import { type AuditEvent, recordAudit, recordAudits } from '../audit/audit.store.js';
import { enqueueDelivery } from '../delivery/outbox.store.js';
import { addMs, type Instant } from '../formats/instant.js';
import { requireFolderInForce } from '../methods/method-registry.store.js';
import type {
  Escalation,
  EscalationMail,
  SecretReference,
  SiteFolder,
} from '../site/site-folder.js';
import {
  escalationDueAt,
  escalationKey,
  escalationMessage,
  escalationWhy,
  type StopToEscalate,
} from '../statements/escalation.js';
import type { ActiveMapping } from '../statements/statement-messages.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase, Trx } from '../storage/database.js';
import type { StopEscalationRow } from '../storage/tables.js';
import { type MailOutcome, sendMail } from './smtp-mail.client.js';
import {
  beginEscalation,
  channelState,
  finishEscalation,
  hasNeedlessEscalations,
  stopsToEscalate,
  supersedeNeedlessEscalations,
} from './stop-escalation.store.js';

export interface StopEscalationParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly log: Logger;
  readonly secrets: (reference: SecretReference) => string;
  readonly mappings: ReadonlyMap<string, ActiveMapping>;
  readonly epoch: number;
  /** Called after the commit of what a destination is to be told. */
  readonly onEnqueued: (destination: string) => void;
}

/** A channel was used, and no destination has anything to do for it. */
const USED = { isEnqueued: false, isUsed: true };

type Begun = Omit<StopEscalationRow, 'finished_at' | 'outcome' | 'detail'>;

/**
 * Tells a named person of stops that are not effective in time, over a second channel, until they are (rule 22): by
 * mail, through another destination that calls them, or both. Each try is a row before it is sent, so that of several
 * processes one sends it, and an entry of the trail after. What a destination is told is a delivery: it is retried
 * and read back as every other.
 */
export class StopEscalationService {
  constructor(private readonly parts: StopEscalationParts) {}

  /** Sends what is due; returns when the next is, null when nothing waits or the site has no second channel. */
  async workOnce(): Promise<Instant | null> {
    const { site, database, clock } = this.parts;
    const { escalation } = site;
    if (escalation === null) return null;
    if (escalation.destination !== undefined) await this.#endNeedless(escalation.destination);
    const acting = site.destinations.filter((d) => d.acts).map((d) => d.name);
    let nextAt: Instant | null = null;
    for (const about of await stopsToEscalate(database.db, site.site, acting)) {
      const now = clock.now();
      const dueAt = escalationDueAt(about, escalation, now);
      const again = dueAt <= now ? await this.#escalate(about, escalation) : dueAt;
      if (again !== null && (nextAt === null || again < nextAt)) nextAt = again;
    }
    return nextAt;
  }

  /** Uses every channel once; returns when to look again where none could be used yet. */
  async #escalate(about: StopToEscalate, escalation: Escalation): Promise<Instant | null> {
    const { database, clock, site } = this.parts;
    const { email, destination } = escalation;
    const first = (about.last?.number ?? 0) + 1;
    const mail = email && this.#row(about, escalation, first, 'email', email.to.join(', '));
    const told = await database.transact(async (trx) => {
      await requireFolderInForce(trx, site);
      if (mail && !(await beginEscalation(trx, mail))) return null;
      if (destination === undefined) return USED;
      const number = first + (mail ? 1 : 0);
      const row = this.#row(about, escalation, number, 'destination', destination);
      return await this.#tell(trx, about, row, mail !== undefined);
    });
    if (told === null) return null;
    if (told.isEnqueued && destination !== undefined) this.parts.onEnqueued(destination);
    if (mail && email) await this.#mail(about, mail, email);
    // What the destination was told before is still on its way; it is told again when that has ended.
    return told.isUsed ? null : addMs(clock.now(), escalation.repeatMs);
  }

  #row(
    about: StopToEscalate,
    { person }: Escalation,
    number: number,
    channel: 'email' | 'destination',
    recipient: string,
  ): Begun {
    const { site, clock } = this.parts;
    return {
      id: uuidv7(),
      site: site.site,
      stop_id: about.stop.id,
      number,
      channel,
      recipient,
      person,
      why: escalationWhy(about),
      at: clock.now(),
    };
  }

  /** Puts the message into the outbox, or names why it cannot leave. Null when another process has done the same. */
  async #tell(
    trx: Trx,
    about: StopToEscalate,
    row: Begun,
    isMailed: boolean,
  ): Promise<{ readonly isEnqueued: boolean; readonly isUsed: boolean } | null> {
    const { site, mappings, epoch, log } = this.parts;
    const state = await channelState(trx, site.site, row.recipient, about.stop.id);
    if (state === 'busy') return isMailed ? USED : { isEnqueued: false, isUsed: false };
    if (!(await beginEscalation(trx, row))) return isMailed ? USED : null;
    if (state === 'paused') {
      const detail = `${row.recipient} is paused itself: resume it, or tell ${row.person} in another way`;
      await finishEscalation(trx, row.id, { at: row.at, outcome: 'failed', detail });
      await recordAudit(trx, this.#entry(row, 'stop.escalation-failed', { detail }));
      log.error({ event: 'stop.escalation-failed', stop: row.stop_id, number: row.number, detail });
      return USED;
    }
    const mapping = mappings.get(row.recipient);
    if (mapping === undefined) throw new Error(`no mapping of ${row.recipient} is in force`);
    const delivery = await enqueueDelivery(trx, {
      site: site.site,
      subjectKind: 'stop-escalation',
      subjectId: row.id,
      subjectRevision: about.stop.statement_revision,
      receiptId: about.stop.receipt_id,
      destination: row.recipient,
      message: 'stop-escalation',
      orderingKey: escalationKey(row.id),
      isConforms: false,
      isContrary: true,
      mappingDigest: mapping.digest,
      epoch,
      now: row.at,
    });
    await recordAudit(trx, this.#entry(row, 'stop.escalated', { delivery }));
    log.warn({ event: 'stop.escalated', stop: row.stop_id, number: row.number, delivery });
    return { isEnqueued: true, isUsed: true };
  }

  async #mail(about: StopToEscalate, row: Begun, email: EscalationMail): Promise<void> {
    const { database, clock, log } = this.parts;
    const { kind, detail } = await this.#send(about, row, email);
    const at = clock.now();
    const action = kind === 'sent' ? 'stop.escalated' : 'stop.escalation-failed';
    await database.transact(async (trx) => {
      await finishEscalation(trx, row.id, { at, outcome: kind, detail });
      await recordAudit(trx, { ...this.#entry(row, action, { detail }), at });
    });
    const event = {
      stop: about.stop.id,
      receipt: about.stop.receipt_id,
      number: row.number,
      detail,
    };
    if (kind === 'sent') log.warn({ event: action, ...event });
    else log.error({ event: action, ...event });
  }

  async #send(about: StopToEscalate, row: Begun, email: EscalationMail): Promise<MailOutcome> {
    const { site, secrets } = this.parts;
    let password: string | null = null;
    try {
      password = email.password === undefined ? null : secrets(email.password);
    } catch {
      // Its name says which secret is not there; nothing of its value is known here.
      return { kind: 'failed', detail: `the secret ${email.password ?? ''} is not there` };
    }
    return sendMail(email, password, escalationMessage(about, site, row.person, row.number));
  }

  /** What nobody needs to be told any more is not sent late. */
  async #endNeedless(destination: string): Promise<void> {
    const { database, site, clock } = this.parts;
    if (!(await hasNeedlessEscalations(database.db, site.site, destination))) return;
    await database.transact(async (trx) => {
      const ended = await supersedeNeedlessEscalations(trx, site.site, destination);
      await recordAudits(
        trx,
        ended.map(({ id, reason }) => ({
          site: site.site,
          zone: site.timeZone,
          at: clock.now(),
          actor: { kind: 'system', name: 'escalation' },
          action: 'delivery.superseded',
          subjectKind: 'delivery',
          subjectId: id,
          reason: reason ?? '',
          after: { state: 'superseded' },
        })),
      );
    });
  }

  #entry(row: Begun, action: string, after: Readonly<Record<string, unknown>>): AuditEvent {
    const { number, channel, recipient, person } = row;
    return {
      site: row.site,
      zone: this.parts.site.timeZone,
      at: row.at,
      actor: { kind: 'system', name: 'escalation' },
      action,
      subjectKind: 'stop',
      subjectId: row.stop_id,
      reason: row.why,
      after: { number, channel, recipient, person, ...after },
    };
  }
}
