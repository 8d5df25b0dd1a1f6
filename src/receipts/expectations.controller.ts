import { Controller, HttpCode, Post, Query, Req } from '@nestjs/common';
import { type AuthenticatedRequest, RequireRight } from '../access/access.guard.js';
import { actorOf } from '../access/caller.js';
import { readBody } from '../formats/read-body.files.js';
import { Problem } from '../problem-details.js';
import { Clock } from '../storage/clock.js';
import { OpenDatabase } from '../storage/database.js';
import { parseExpectation } from './expectation.js';
import { ReceiptsService } from './receipts.service.js';

const BODY_BYTES_MAX = 64 * 1024 * 1024;

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
    const text = decode(await readBody(request.raw, BODY_BYTES_MAX));
    const parsed = parseExpectation(text, separator === ';' ? { separator: ';' } : {});
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
  if (body === null) throw new Problem('body-too-large', `the limit is ${BODY_BYTES_MAX} bytes`);
  try {
    return new TextDecoder('utf-8', { fatal: true, ignoreBOM: true }).decode(body);
  } catch {
    // The decoder's own message names no place; the rule is what the sender needs.
    throw new Problem('expectation-invalid', 'the file is not UTF-8', { faults: [] });
  }
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
