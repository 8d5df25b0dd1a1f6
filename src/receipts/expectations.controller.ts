import { Controller, HttpCode, Post, Query, Req } from '@nestjs/common';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { actorOf } from '../access/caller.js';
import { readRequestBody } from '../access/request-body.files.js';
import { headerSeparator } from '../formats/csv.js';
import { decodeText } from '../formats/text-encoding.js';
import { Problem } from '../problem-details.js';
import { Clock } from '../storage/clock.js';
import { OpenDatabase } from '../storage/database.js';
import { parseExpectation } from './expectation.js';
import { ReceiptsService } from './receipts.service.js';

/** The largest body that any address reads, unless the site takes larger bundles. */
export const EXPECTATION_BYTES_MAX = 64 * 1024 * 1024;

/** Rung once an announcement is committed. */
export abstract class AnnouncedBell {
  abstract ring(): void;
}

@Controller('api/v1/expectations')
export class ExpectationsController {
  constructor(
    private readonly receipts: ReceiptsService,
    private readonly database: OpenDatabase,
    private readonly clock: Clock,
    private readonly onAnnounced: AnnouncedBell,
  ) {}

  /** Announces receipt lines from CSV, all or none. */
  @Post()
  @HttpCode(200)
  @RequireRight('expectation.write')
  async post(
    @Req() request: AuthenticatedRequest,
    @Query('separator') separator: string | undefined,
  ): Promise<unknown> {
    const type = request.headers['content-type'] ?? 'nothing';
    if (!/^text\/csv\s*(;|$)/i.test(type)) {
      throw new Problem('body-type-unsupported', `expected text/csv, found ${type}`);
    }
    const text = decode(await readRequestBody(request, EXPECTATION_BYTES_MAX));
    const parsed = parseExpectation(text, separatorOf(text, separator));
    if (!parsed.ok) throw refused(parsed.faults);
    const announced = await this.database.transact((trx) =>
      this.receipts.announce(trx, parsed.lines, actorOf(request.caller), this.clock.now(), 'csv'),
    );
    if (!announced.ok) throw refused(announced.faults);
    this.onAnnounced.ring();
    return { lines: announced.lines };
  }
}

function decode(body: Buffer | null): string {
  if (body === null)
    throw new Problem('body-too-large', `the limit is ${EXPECTATION_BYTES_MAX} bytes`);
  const decoded = decodeText(body);
  if (decoded.ok) return decoded.text;
  const found = `found ${decoded.found}, expected UTF-8`;
  throw new Problem('expectation-invalid', found, { faults: [`line 1: ${found} (encoding).`] });
}

/** As declared, else what the header line is made with: spreadsheets of many countries write semicolons. */
function separatorOf(text: string, declared: string | undefined): { separator: ',' | ';' } {
  const isSemicolon = (declared ?? headerSeparator(text)) === ';';
  return { separator: isSemicolon ? ';' : ',' };
}

type Faults = Extract<ReturnType<typeof parseExpectation>, { ok: false }>['faults'];

function refused(faults: Faults): Problem {
  const first = faults[0];
  const where = first
    ? `line ${first.line}${first.column ? `, ${first.column}` : ''}: ${first.message}`
    : '';
  return new Problem('expectation-invalid', `${faults.length} faults; ${where}`, {
    faults: faults.map((f) => `line ${f.line} ${f.column}: ${f.message} (${f.rule}). ${f.remedy}`),
  });
}
