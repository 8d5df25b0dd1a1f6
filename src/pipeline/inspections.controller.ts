import { Controller, Get, HttpCode, Param, Post, Query, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { fieldsOf, readJsonBody } from '../access/read-json.files.js';
import { parseTimestamp } from '../formats/instant.js';
import { Problem } from '../problem-details.js';
import type { InspectionReport } from '../receipts/inspection-view.js';
import { CONTAINERS_MAX } from '../receipts/receipt-bounds.js';
import { signatureManifest } from '../signatures/signature.js';
import { INSPECTED_ATTRIBUTES } from '../site/vocabulary.js';
import { mustBeSigned } from '../statements/review-answer.js';
import {
  readInvestigation,
  readReview,
  readSigned,
  signerOf,
} from '../statements/review-request.js';
import { InspectionsService } from './inspections.service.js';

const RECEIPT_ID_MAX = 200;
const ID_MAX = 100;
const NAME_MAX = 100;

type Fields = Readonly<Record<string, unknown>>;

/** Labels and damage of a receipt: what its plans ask for by GET, what was counted by POST of the digest that was shown. */
@Controller('api/v1/receipts')
export class InspectionsController {
  constructor(private readonly inspections: InspectionsService) {}

  @Get(':id/inspections')
  @RequireRight('pages.read')
  async show(
    @Param('id') id: string,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const view = id.length > RECEIPT_ID_MAX ? null : await this.inspections.show(id);
    if (view === null) throw new Problem('not-found', 'no announced receipt has this id');
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return view;
  }

  @Post(':id/inspections')
  @HttpCode(200)
  @RequireRight('result.review', { provesPerson: true })
  async report(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const fields = fieldsOf(await readJsonBody(request.raw));
    // The same fields as any signed act, beside what was counted.
    const { review, userName, password } = readReview({ ...fields, act: 'clear' });
    const { shownSha256, reason } = review;
    const receiptId = id.slice(0, RECEIPT_ID_MAX);
    const answer = await this.inspections.report(
      receiptId,
      { shownSha256, reason, report: readReport(fields) },
      signerOf(request.caller, userName, password),
    );
    mustBeSigned(answer, receiptId, 'receipt');
    const { inspectionId, signature } = answer;
    return { receiptId, inspectionId, signature: signatureManifest(signature) };
  }

  /** A count that rejected, and what lifting it would sign. */
  @Get(':id/inspection-lift')
  @RequireRight('pages.read')
  async showLift(
    @Param('id') id: string,
    @Query('inspection') asked: unknown,
    @Res({ passthrough: true }) reply: FastifyReply,
  ): Promise<unknown> {
    const inspectionId = readId({ inspection: asked });
    const view =
      id.length > RECEIPT_ID_MAX ? null : await this.inspections.showLift(id, inspectionId);
    if (view === null) throw new Problem('not-found', 'no receipt has an inspection of this id');
    void reply.header('etag', `"${view.sha256}"`).header('cache-control', 'private, no-cache');
    return view;
  }

  @Post(':id/inspection-lift')
  @HttpCode(200)
  @RequireRight('stop.lift', { provesPerson: true })
  async lift(@Param('id') id: string, @Req() request: AuthenticatedRequest): Promise<unknown> {
    const fields = fieldsOf(await readJsonBody(request.raw));
    const inspectionId = readId(fields);
    const investigation = readInvestigation(fields);
    const { review, userName, password } = readSigned({ ...fields, act: 'lift' }, [
      'lift',
    ] as const);
    const { shownSha256, reason } = review;
    const receiptId = id.slice(0, RECEIPT_ID_MAX);
    const answer = await this.inspections.lift(
      receiptId,
      { inspectionId, investigation, shownSha256, reason },
      signerOf(request.caller, userName, password),
    );
    mustBeSigned(answer, receiptId, 'receipt');
    return { receiptId, inspectionId, signature: signatureManifest(answer.signature) };
  }
}

/** @throws Problem `query-invalid` that names the field. */
function readReport(fields: Fields): InspectionReport {
  const attribute = INSPECTED_ATTRIBUTES.find((one) => one === fields['attribute']);
  if (attribute === undefined) {
    throw new Problem('query-invalid', `attribute: expected ${INSPECTED_ATTRIBUTES.join(' or ')}`);
  }
  return {
    attribute,
    inspected: readCount(fields, 'inspected', 1),
    nonconforming: readCount(fields, 'nonconforming', 0),
    inspectedBy: readName(fields, 'inspectedBy'),
    inspectedAt: readTime(fields, 'inspectedAt'),
  };
}

function readCount(fields: Fields, name: string, least: number): number {
  const count = fields[name];
  if (
    typeof count === 'number' &&
    Number.isInteger(count) &&
    count >= least &&
    count <= CONTAINERS_MAX
  ) {
    return count;
  }
  const expected = `expected a whole number of containers, ${least} to ${CONTAINERS_MAX}`;
  throw new Problem('query-invalid', `${name}: ${expected}`);
}

function readId({ inspection }: Fields): string {
  if (typeof inspection === 'string' && inspection !== '' && inspection.length <= ID_MAX) {
    return inspection;
  }
  throw new Problem('query-invalid', 'inspection: expected the id of a count of the receipt');
}

function readName(fields: Fields, name: string): string {
  const text = fields[name];
  const given = typeof text === 'string' ? text.trim() : '';
  if (given !== '' && given.length <= NAME_MAX && !/\p{C}/u.test(given)) return given;
  throw new Problem('query-invalid', `${name}: expected who looked, 1 to ${NAME_MAX} characters`);
}

function readTime(fields: Fields, name: string): InspectionReport['inspectedAt'] {
  const text = fields[name];
  const parsed = typeof text === 'string' ? parseTimestamp(text) : null;
  if (typeof text === 'string' && parsed) return { text, instant: parsed.instant };
  throw new Problem(
    'query-invalid',
    `${name}: expected a date-time with offset such as 2026-07-01T09:30:00+01:00`,
  );
}
