import type { Logger } from 'pino';
import { uuidv7 } from 'uuidv7';
import { recordAudit } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import type { SecretReference, SiteFolder } from '../site/site-folder.js';
import {
  escalationDueAt,
  escalationMessage,
  escalationWhy,
  type StopToEscalate,
} from '../statements/escalation.js';
import type { Clock } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import { type MailOutcome, sendMail } from './smtp-mail.client.js';
import { beginEscalation, finishEscalation, stopsToEscalate } from './stop-escalation.store.js';

export interface StopEscalationParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly site: SiteFolder;
  readonly log: Logger;
  readonly secrets: (reference: SecretReference) => string;
}

/**
 * Tells a named person of stops that are not effective in time, over a second channel, until they are (rule 22).
 * Each try is a row before it is sent, so that of several processes one sends it, and an entry of the trail after.
 */
export class StopEscalationService {
  constructor(private readonly parts: StopEscalationParts) {}

  /** Sends what is due; returns when the next is, null when nothing waits or the site has no second channel. */
  async workOnce(): Promise<Instant | null> {
    const { site, database, clock } = this.parts;
    if (site.escalation === null) return null;
    const acting = site.destinations.filter((d) => d.acts).map((d) => d.name);
    let nextAt: Instant | null = null;
    for (const about of await stopsToEscalate(database.db, site.site, acting)) {
      const dueAt = escalationDueAt(about, site.escalation);
      if (dueAt <= clock.now()) await this.#escalate(about);
      else if (nextAt === null || dueAt < nextAt) nextAt = dueAt;
    }
    return nextAt;
  }

  async #escalate(about: StopToEscalate): Promise<void> {
    const { site, database, clock, log } = this.parts;
    const { escalation } = site;
    if (escalation === null) return;
    const { person, email } = escalation;
    const id = uuidv7();
    const number = (about.last?.number ?? 0) + 1;
    const row = {
      id,
      site: site.site,
      stop_id: about.stop.id,
      number,
      channel: 'email',
      recipient: email.to.join(', '),
      person,
      why: escalationWhy(about),
      at: clock.now(),
    };
    if (!(await database.transact((trx) => beginEscalation(trx, row)))) return;
    const outcome = await this.#send(about, number);
    const { kind, detail } = outcome;
    const at = clock.now();
    await database.transact(async (trx) => {
      await finishEscalation(trx, id, { at, outcome: kind, detail });
      await recordAudit(trx, {
        site: site.site,
        zone: site.timeZone,
        at,
        actor: { kind: 'system', name: 'escalation' },
        action: kind === 'sent' ? 'stop.escalated' : 'stop.escalation-failed',
        subjectKind: 'stop',
        subjectId: about.stop.id,
        reason: row.why,
        after: { number, channel: row.channel, recipient: row.recipient, person, detail },
      });
    });
    const event = { stop: about.stop.id, receipt: about.stop.receipt_id, number, detail };
    if (kind === 'sent') log.warn({ event: 'stop.escalated', ...event });
    else log.error({ event: 'stop.escalation-failed', ...event });
  }

  async #send(about: StopToEscalate, number: number): Promise<MailOutcome> {
    const { site, secrets } = this.parts;
    if (site.escalation === null) return { kind: 'failed', detail: 'no second channel' };
    const { person, email } = site.escalation;
    let password: string | null = null;
    try {
      password = email.password === undefined ? null : secrets(email.password);
    } catch {
      // Its name says which secret is not there; nothing of its value is known here.
      return { kind: 'failed', detail: `the secret ${email.password ?? ''} is not there` };
    }
    return sendMail(email, password, escalationMessage(about, site, person, number));
  }
}
