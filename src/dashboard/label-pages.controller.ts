import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { Problem } from '../problem-details.js';
import { readLabelReview } from '../statements/label-review-view.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { formSigner } from './form-signer.js';
import { renderLabels } from './labels.page.js';
import { LABELS_SOURCE, type LabelsSource } from './labels-source.js';
import { FORM_PAGE_HEADERS } from './page-policy.js';
import { PageSite } from './page-site.js';
import { labelsPath } from './review-path.js';
import { answerSignedForm, NOTHING_SAID, type Said, signedAt, signedSaid } from './signed-form.js';

const ID_LENGTH_MAX = 100;

const SIGNED = signedSaid('The labels are compared. The signature stands below, and in the trail.');

/** Labels of a result that were not scanned, and the form by which a second person compares them with the container. */
@Controller('/review')
export class LabelPagesController {
  readonly #labels: LabelsSource;

  constructor(
    @Inject(LABELS_SOURCE) labels: LabelsSource,
    private readonly site: PageSite,
    private readonly clock: Clock,
  ) {
    this.#labels = labels;
  }

  @Get(':id/labels')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#show(id, request, reply, done === 'signed' ? SIGNED : NOTHING_SAID);
  }

  @Post(':id/labels')
  @RequireRight('result.review')
  async compare(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await answerSignedForm({
      request,
      reply,
      timeZone: this.site.view.timeZone,
      sign: async (fields) => {
        const asked = readLabelReview(fields);
        const who = signerOf(request.caller, asked.userName, asked.password);
        mustBeSigned(await this.#labels.verify(id, asked.request, who), id.slice(0, ID_LENGTH_MAX));
        return signedAt(labelsPath(id));
      },
      show: (said) => this.#show(id, request, reply, said),
    });
  }

  async #show(
    id: string,
    request: AuthenticatedRequest,
    reply: FastifyReply,
    said: Said,
  ): Promise<void> {
    const view = id.length > ID_LENGTH_MAX ? null : await this.#labels.show(id);
    if (view === null) throw new Problem('not-found', 'no result has this id');
    const page = renderLabels({
      view,
      frame: this.site.frame(request.caller, this.clock.now()),
      signer: await formSigner(request, 'result.review', this.#labels),
      said,
    });
    await reply.status(said.status).headers(FORM_PAGE_HEADERS).send(page);
  }
}
