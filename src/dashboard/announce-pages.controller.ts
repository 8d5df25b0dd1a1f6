import { Controller, Get, HttpCode, Param, Post, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { actorOf } from '../access/caller.js';
import { Problem } from '../problem-details.js';
import {
  AnnounceByHand,
  type HandAnnouncer,
  type HandRequest,
  type SaveAnswer,
} from '../receipts/announce-by-hand.service.js';
import { AnnouncedBell } from '../receipts/expectations.controller.js';
import { EMPTY_DRAFT, HAND_FIELDS, type HandDraft } from '../receipts/hand-draft.js';
import { Clock } from '../storage/clock.js';
import type { NoticeView } from './account-view.js';
import { type AnnouncePage, renderAnnounce } from './announce.page.js';
import { moment } from './local-time.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { receiptPath } from './receipt-path.js';
import { signedInOf } from './signed-in.js';
import { fieldOf, personIn } from './viewer.js';

const REASON_LENGTH_MAX = 500;

const CHANGED_MEANWHILE: NoticeView = {
  tone: 'bad',
  title: 'Nothing was saved',
  text: 'What would be saved is not what was shown. Look at it again.',
};

/** Receipt lines that a person announces, changes and cancels: written, looked at, saved. */
@Controller('/announce')
export class AnnouncePagesController {
  constructor(
    private readonly announcing: AnnounceByHand,
    private readonly site: PageSite,
    private readonly clock: Clock,
    private readonly onAnnounced: AnnouncedBell,
  ) {}

  @Get()
  @RequireRight('expectation.write', { isForPeople: true })
  async empty(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    await this.#send(request, reply, {});
  }

  @Post()
  @HttpCode(200)
  @RequireRight('expectation.write', { isForPeople: true })
  async announce(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    await this.#answer(request, reply, null);
  }

  @Get(':id')
  @RequireRight('expectation.write', { isForPeople: true })
  async receipt(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#showReceipt(id, request, reply, null);
  }

  @Post(':id')
  @HttpCode(200)
  @RequireRight('expectation.write', { isForPeople: true })
  async change(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#answer(request, reply, id);
  }

  @Post(':id/cancel')
  @HttpCode(200)
  @RequireRight('expectation.write', { isForPeople: true })
  async cancel(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const reason = fieldOf(request, 'reason').trim();
    const tag = fieldOf(request, 'tag');
    const missing = reasonNotice(reason);
    if (missing !== null) return this.#showReceipt(id, request, reply.status(422), missing);
    if (fieldOf(request, 'step') !== 'save') {
      const draft = { ...EMPTY_DRAFT, receiptId: id };
      await this.#send(request, reply, { draft, reason, tag, isCancelling: true });
      return;
    }
    const saved = await this.announcing.cancel(id, { reason, tag }, announcer(request));
    if (saved.kind === 'saved') return this.#done(reply, id);
    await this.#showReceipt(id, request, reply.status(422), notSaved(saved));
  }

  async #answer(
    request: AuthenticatedRequest,
    reply: FastifyReply,
    receiptId: string | null,
  ): Promise<void> {
    const asked = handRequest(request, receiptId);
    const missing = reasonNotice(asked.reason);
    if (missing !== null) {
      await this.#send(request, reply.status(422), { ...asked, notice: missing });
      return;
    }
    switch (fieldOf(request, 'step')) {
      case 'write':
        await this.#send(request, reply, asked);
        return;
      case 'save': {
        const seen = fieldOf(request, 'seen');
        const saved = await this.announcing.save(asked, seen, announcer(request));
        if (saved.kind === 'saved') return this.#done(reply, saved.receiptId);
        const faults = saved.kind === 'faults' ? saved.faults : [];
        const notice = saved.kind === 'faults' ? null : notSaved(saved);
        await this.#send(request, reply.status(422), { ...asked, faults, notice });
        return;
      }
      default: {
        const answer = await this.announcing.look(asked, announcer(request));
        if (answer.kind === 'faults') {
          await this.#send(request, reply.status(422), { ...asked, faults: answer.faults });
        } else await this.#send(request, reply, { ...asked, look: answer.look });
      }
    }
  }

  async #done(reply: FastifyReply, receiptId: string): Promise<void> {
    this.onAnnounced.ring();
    await reply
      .status(303)
      .header('location', `${receiptPath(receiptId)}#history`)
      .send();
  }

  async #showReceipt(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    notice: NoticeView | null,
  ): Promise<void> {
    const form = await this.announcing.form(id);
    if (form === null) throw new Problem('receipt-unknown', `receipt ${id.slice(0, 100)}`);
    if (!form.isOpen && notice === null) {
      throw new Problem('receipt-closed', `receipt ${id.slice(0, 100)}`);
    }
    await this.#send(request, reply, { draft: form.draft, tag: form.tag, notice });
  }

  async #send(
    request: AuthenticatedRequest,
    reply: FastifyReply,
    page: Partial<AnnouncePage>,
  ): Promise<void> {
    const { formToken, caller } = personIn(request);
    const html = renderAnnounce({
      site: this.site.view,
      asOf: moment(this.clock.now(), this.site.view.timeZone),
      signedIn: signedInOf(caller),
      formToken,
      draft: EMPTY_DRAFT,
      reason: '',
      tag: null,
      faults: [],
      notice: null,
      look: null,
      isCancelling: false,
      ...page,
    });
    await reply.headers(FORM_PAGE_HEADERS).send(html);
  }
}

function handRequest(request: AuthenticatedRequest, receiptId: string | null): HandRequest {
  const fields = HAND_FIELDS.map((field) => [field, fieldOf(request, field)]);
  const draft = Object.fromEntries(fields) as HandDraft;
  return {
    draft: receiptId === null ? draft : { ...draft, receiptId },
    reason: fieldOf(request, 'reason').trim(),
    tag: receiptId === null ? null : fieldOf(request, 'tag'),
  };
}

function announcer(request: AuthenticatedRequest): HandAnnouncer {
  const { caller } = personIn(request);
  return { actor: actorOf(caller), printedName: caller.name };
}

function reasonNotice(reason: string): NoticeView | null {
  if (reason !== '' && reason.length <= REASON_LENGTH_MAX) return null;
  const text = `Say why, in 1 to ${REASON_LENGTH_MAX} characters.`;
  return { tone: 'bad', title: 'Nothing was saved', text };
}

function notSaved(answer: Exclude<SaveAnswer, { readonly kind: 'saved' }>): NoticeView {
  if (answer.kind !== 'refused') return CHANGED_MEANWHILE;
  const text = `${answer.detail}. Look at the receipt again.`;
  return { tone: 'bad', title: 'Nothing was saved', text };
}
