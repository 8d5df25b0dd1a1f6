import { Controller, Get, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { actorOf } from '../access/caller.js';
import { readReason } from '../access/read-reason.js';
import type { ActReport } from '../delivery/delivery-act-answer.js';
import { DeliveryActs } from '../delivery/delivery-acts.service.js';
import {
  actProblem,
  BULK_MAX,
  readAct,
  readNamedDeliveries,
  readVersion,
} from '../delivery/delivery-request.js';
import { Problem } from '../problem-details.js';
import { Clock } from '../storage/clock.js';
import type { NoticeView } from './account-view.js';
import { type DeliveryFrame, renderDelivery, renderStopped } from './delivery.page.js';
import { deliveryPath } from './delivery-path.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { NOTHING_SAID, refusedNotice, type Said } from './signed-form.js';
import { sentForm } from './typed-form.js';
import { fieldOf } from './viewer.js';

const ID_LENGTH_MAX = 100;

const DONE: Readonly<Record<string, string>> = {
  'sent-again': 'It leaves again under its own key.',
  'asked-first': 'The destination is asked first; it leaves again only when it is not there.',
  rebuilt: 'This is the new build; it takes the place of the one before.',
  retired: 'It is given up; what waited behind it may leave.',
};

interface ListQuery {
  readonly destination?: string;
  readonly fault?: string;
  readonly after?: string;
}

/** Deliveries that stopped: the list, one with its history, and the forms by which a person takes them up. */
@Controller('deliveries')
export class DeliveryPagesController {
  constructor(
    private readonly deliveries: DeliveryActs,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {}

  @Get()
  @RequireRight('pages.read', { isForMachine: true })
  async list(
    @Query() query: ListQuery,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#list(query, request, reply, NOTHING_SAID, []);
  }

  @Get(':id')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const text = DONE[done ?? ''];
    const notice: NoticeView | null =
      text === undefined ? null : { tone: 'good', title: 'Done', text };
    await this.#show(id, request, reply, { ...NOTHING_SAID, notice });
  }

  @Post()
  @RequireRight('delivery.resend', { mayRepeat: ['delivery'] })
  async many(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    const query = {
      destination: fieldOf(request, 'destination'),
      fault: fieldOf(request, 'fault'),
    };
    const read = reading(() => ({
      act: readAct(fieldOf(request, 'act')),
      reason: readReason({ reason: fieldOf(request, 'reason') }),
      named: readNamedDeliveries(
        (request.form?.getAll('delivery') ?? []).map((text) => {
          const [id, version] = text.split(' ');
          return { id, version };
        }),
      ),
    }));
    if (read instanceof Problem) {
      const notice: NoticeView = { tone: 'bad', title: 'Nothing was done', text: read.detail };
      await this.#list(query, request, reply, refused(request, 422, notice), []);
      return;
    }
    const { act, reason, named } = read;
    const actor = actorOf(request.caller);
    const reports = await this.deliveries.actOnAll(named, { act, reason, actor });
    const done = reports.filter((report) => report.isDone).length;
    const notice: NoticeView = {
      tone: done === reports.length ? 'good' : 'quiet',
      title: `${act}: done with ${done} of ${reports.length}`,
      text: 'Each is listed below with what was done, or why not.',
    };
    // What was not done may be asked for once more, in the same words.
    const typed = done === reports.length ? null : sentForm(request);
    await this.#list(query, request, reply, { status: 200, notice, typed }, reports);
  }

  @Post(':id')
  @RequireRight('delivery.resend')
  async act(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    const read = reading(() => ({
      act: readAct(fieldOf(request, 'act')),
      version: readVersion({ version: fieldOf(request, 'version') }),
      reason: readReason({ reason: fieldOf(request, 'reason') }),
    }));
    if (read instanceof Problem) {
      const notice: NoticeView = { tone: 'bad', title: 'Nothing was done', text: read.detail };
      await this.#show(id, request, reply, refused(request, 422, notice));
      return;
    }
    const answer = await this.deliveries.act(id, { ...read, actor: actorOf(request.caller) });
    if (answer.kind === 'done') {
      const to = `${deliveryPath(answer.deliveryId)}?done=${answer.done}`;
      await reply.status(303).header('location', to).send();
      return;
    }
    const problem = actProblem(answer, id);
    if (problem === null || problem.code === 'not-found') throw problem ?? new Error('not done');
    if (answer.kind === 'refused') {
      const text = `${answer.found}. ${answer.remedy}`;
      const notice: NoticeView = { tone: 'bad', title: 'Nothing was done', text };
      await this.#show(id, request, reply, refused(request, 409, notice));
      return;
    }
    const { status, notice } = refusedNotice(problem);
    await this.#show(id, request, reply, refused(request, status, notice));
  }

  async #list(
    { destination, fault, after }: ListQuery,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    said: Said,
    reports: readonly ActReport[],
  ): Promise<void> {
    const of = {
      destination: destination || null,
      fault: fault || null,
      after: after?.slice(0, ID_LENGTH_MAX) || null,
    };
    const deliveries = await this.deliveries.list({ ...of, limit: BULK_MAX });
    const page = renderStopped(
      {
        counts: await this.deliveries.counts(),
        deliveries,
        destination: of.destination,
        fault: of.fault,
        next: deliveries.length < BULK_MAX ? null : (deliveries.at(-1)?.id ?? null),
        reports,
      },
      this.#frame(request),
      said,
    );
    await reply.status(said.status).headers(FORM_PAGE_HEADERS).send(page);
  }

  async #show(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    said: Said,
  ): Promise<void> {
    const view = id.length > ID_LENGTH_MAX ? null : await this.deliveries.show(id);
    if (view === null) throw new Problem('not-found', 'no delivery has this id');
    await reply
      .status(said.status)
      .headers(FORM_PAGE_HEADERS)
      .send(renderDelivery(view, this.#frame(request), said));
  }

  #frame({ caller, formToken }: AuthenticatedRequest): DeliveryFrame {
    const mayAct = caller.kind === 'person' && caller.rights.has('delivery.resend');
    return {
      ...this.site.frame(caller, this.clock.now()),
      formToken: mayAct ? formToken : null,
    };
  }
}

/** What a page says whose form was refused: its fields keep what was typed. */
function refused(request: AuthenticatedRequest, status: number, notice: NoticeView): Said {
  return { status, notice, typed: sentForm(request) };
}

/** What a form asks for, or what is wrong with it. */
function reading<T>(read: () => T): T | Problem {
  try {
    return read();
  } catch (error) {
    if (error instanceof Problem) return error;
    throw error;
  }
}
