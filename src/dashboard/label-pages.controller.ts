import { Controller, Get, Inject, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import type { LabelReviewView } from '../statements/label-review-view.js';
import { readLabelReview } from '../statements/label-review-view.js';
import { mustBeSigned } from '../statements/review-answer.js';
import { signerOf } from '../statements/review-request.js';
import { Clock } from '../storage/clock.js';
import { renderLabels } from './labels.page.js';
import { LABELS_SOURCE, type LabelsSource } from './labels-source.js';
import { PageSite } from './page-site.js';
import { labelsPath } from './review-path.js';
import { signedAt, signedHere } from './signed-form.js';
import { type SignedPage, SignedPages } from './signed-pages.service.js';

const ID_LENGTH_MAX = 100;

const SIGNED = signedHere(
  'The labels are compared. The signature stands below, and in the trail.',
  ({ signature }: LabelReviewView) => (signature === null ? [] : [signature]),
);

/** Labels of a result that were not scanned, and the form by which a second person compares them with the container. */
@Controller('/review')
export class LabelPagesController {
  readonly #labels: LabelsSource;
  readonly #pages: SignedPages;

  constructor(@Inject(LABELS_SOURCE) labels: LabelsSource, site: PageSite, clock: Clock) {
    this.#labels = labels;
    this.#pages = new SignedPages(site, clock);
  }

  @Get(':id/labels')
  @RequireRight('pages.read', { isForMachine: true })
  async page(
    @Param('id') id: string,
    @Query('done') done: string | undefined,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#pages.show(this.#page(id), { request, reply }, done);
  }

  @Post(':id/labels')
  @RequireRight('result.review')
  async compare(
    @Param('id') id: string,
    @Req() request: AuthenticatedRequest,
    @Res() reply: FastifyReply,
  ): Promise<void> {
    await this.#pages.sign(this.#page(id), { request, reply }, async (fields) => {
      const asked = readLabelReview(fields);
      const who = signerOf(request.caller, asked.userName, asked.password);
      const answer = await this.#labels.verify(id, asked.request, who);
      mustBeSigned(answer, id.slice(0, ID_LENGTH_MAX));
      return signedAt(labelsPath(id), answer.signature);
    });
  }

  #page(id: string): SignedPage<LabelReviewView> {
    return {
      load: async () => (id.length > ID_LENGTH_MAX ? null : this.#labels.show(id)),
      missing: 'no result has this id',
      right: 'result.review',
      signing: this.#labels,
      arrived: SIGNED,
      render: renderLabels,
    };
  }
}
