import { Controller, Get, Param, Post, Req, Res } from '@nestjs/common';
import type { FastifyReply } from 'fastify';
import { type AuthenticatedRequest, GatewaySite, RequireRight } from '../access/access.guard.js';
import { actorOf } from '../access/caller.js';
import { readIdempotencyKey } from '../access/idempotency-key.js';
import { readLargeRequestBody } from '../access/request-body.files.js';
import { formatInstant } from '../formats/instant.js';
import { Problem } from '../problem-details.js';
import { step } from '../step.js';
import { OpenDatabase } from '../storage/database.js';
import { findBundle, findingsOfBundle } from './bundles.store.js';
import { readNumbers, shownNumbers } from './finding-numbers.js';
import { IntakeService } from './intake.service.js';
import { LARGE_BYTES } from './read-document.js';

/** Largest body taken; the site's limit. */
export class BodyLimit {
  constructor(readonly bytesMax: number) {}
}

@Controller('api/v1/bundles')
export class BundlesController {
  constructor(
    private readonly intake: IntakeService,
    private readonly database: OpenDatabase,
    private readonly gateway: GatewaySite,
    private readonly limit: BodyLimit,
  ) {}

  /** Takes a bundle: 202 once its bytes and row are committed, 422 when it cannot be read as one. */
  @Post()
  @RequireRight('bundle.write')
  async post(@Req() request: AuthenticatedRequest, @Res() reply: FastifyReply): Promise<void> {
    const type = request.headers['content-type'] ?? 'nothing';
    if (!/^application\/(?:json|zip)\s*(;|$)/i.test(type)) {
      const expected = 'expected application/json or application/zip';
      throw new Problem('body-type-unsupported', `${expected}, found ${type}`);
    }
    // Taken as they come, compressed bytes would be stored as a bundle that nobody can read, which stops receipts.
    const coding = request.headers['content-encoding']?.trim() || 'identity';
    if (coding.toLowerCase() !== 'identity') {
      const found = `found Content-Encoding ${coding}`;
      throw new Problem('body-type-unsupported', `expected the bytes as they are, ${found}`);
    }
    const idempotencyKey = readIdempotencyKey(
      request.headers['idempotency-key'],
      'POST /api/v1/bundles',
    );
    const bytes = await readLargeRequestBody(request, this.limit.bytesMax, LARGE_BYTES);
    if (bytes === null) {
      throw new Problem('body-too-large', `the limit is ${this.limit.bytesMax} bytes`, {}, CLOSE);
    }
    const answer = await this.intake.take({
      bytes,
      source: { kind: 'http', name: request.caller.id },
      fileName: null,
      actor: actorOf(request.caller),
      idempotencyKey,
    });
    if (answer.kind === 'key-reused') {
      throw new Problem('idempotency-key-reused', `key ${answer.key} was used with other content`);
    }
    if (answer.kind === 'refused') {
      const finding = answer.unreadable;
      throw new Problem(
        'bundle-unreadable',
        finding ? `${finding.pointer || 'document'}: ${finding.message}` : 'unreadable',
        { intakeId: answer.intakeId, sha256: answer.sha256, findings: [finding] },
      );
    }
    const follow = `/api/v1/bundles/${answer.intakeId}`;
    await reply.status(202).header('location', follow).send({
      intakeId: answer.intakeId,
      bundleId: answer.bundleId,
      sha256: answer.sha256,
      state: answer.state,
      first: answer.isFirst,
      follow,
    });
    step('S4');
  }

  @Get(':id')
  @RequireRight('bundle.write')
  async get(@Param('id') id: string): Promise<unknown> {
    const row = await findBundle(this.database.db, this.gateway.site, id);
    if (!row) throw new Problem('not-found', `no bundle was taken in under ${id}`);
    const findings = await findingsOfBundle(this.database.db, id);
    return {
      intakeId: row.id,
      bundleId: row.bundle_id,
      sha256: row.raw_sha256,
      canonicalDigest: row.canonical_digest,
      state: row.state,
      duplicateOf: row.duplicate_of,
      source: { kind: row.source_kind, name: row.source_name, fileName: row.file_name },
      receivedAt: formatInstant(row.received_at),
      settledAt: row.settled_at === null ? null : formatInstant(row.settled_at),
      findings: findings.map(({ code, severity, pointer, message, advice, numbers }) => ({
        code,
        severity,
        pointer,
        message,
        advice,
        ...shownNumbers(readNumbers(numbers)),
      })),
    };
  }
}

const CLOSE = { connection: 'close' };
