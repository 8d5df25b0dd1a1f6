import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { openDatabase } from '../../src/storage/database.js';
import { tablesIn } from '../support/migrated.js';
import { repositoryRoot } from '../support/shared.js';
import { temporaryPlace } from '../support/temp-database.js';

const root = join(repositoryRoot(), 'src');

interface Audited {
  /** Files that write the table. */
  readonly writers: readonly string[];
  /** Where the entry is written, and a text of its action. */
  readonly entries: readonly (readonly [file: string, action: string])[];
}

/** Tables that hold facts: every writer, and where its change gets its entry. */
const AUDITED: Readonly<Record<string, Audited>> = {
  account: {
    writers: ['access/accounts.store.ts'],
    entries: [
      ['access/accounts.service.ts', 'account.created'],
      ['access/people.service.ts', 'account.deactivated'],
      ['access/people.service.ts', 'account.password-reset'],
      ['access/sign-in.service.ts', 'account.password-changed'],
    ],
  },
  account_operator: {
    writers: ['access/accounts.store.ts'],
    entries: [
      ['access/accounts.service.ts', 'account.created'],
      ['access/people.service.ts', 'account.operators-changed'],
    ],
  },
  account_predecessor: {
    writers: ['access/accounts.store.ts'],
    entries: [
      ['access/accounts.service.ts', 'account.created'],
      ['access/people.service.ts', 'account.predecessor-named'],
    ],
  },
  account_role: {
    writers: ['access/accounts.store.ts'],
    entries: [
      ['access/accounts.service.ts', 'account.created'],
      ['access/people.service.ts', 'account.roles-changed'],
    ],
  },
  api_key: {
    writers: ['access/api-keys.store.ts'],
    entries: [
      ['access/access.service.ts', 'key.created'],
      ['access/access.service.ts', 'key.revoked'],
      ['access/access.service.ts', 'key.rotated'],
      ['access/access.service.ts', 'key.used'],
    ],
  },
  attribution: {
    writers: ['receipts/attributions.store.ts'],
    entries: [
      ['pipeline/attribution.service.ts', 'attribution.proposed'],
      ['pipeline/attribution.service.ts', 'attribution.overtaken'],
      ['pipeline/attribution-watch.service.ts', 'attribution.void'],
      ['signatures/signing.service.ts', 'entry.action'],
    ],
  },
  bundle: {
    writers: [
      'intake/bundles.store.ts',
      'pipeline/bundle-review.store.ts',
      'pipeline/examination.store.ts',
    ],
    entries: [
      ['signatures/signing.service.ts', 'entry.action'],
      ['intake/intake.service.ts', 'bundle.received'],
      ['intake/intake.service.ts', 'bundle.refused'],
      ['pipeline/settle-bundle.service.ts', 'bundle.$'],
      ['pipeline/bundles.service.ts', 'bundle.$'],
    ],
  },
  container: {
    writers: ['receipts/receipts.store.ts'],
    entries: [['receipts/receipt-revision.service.ts', 'receipt.announced']],
  },
  drum_number: {
    writers: ['receipts/drum-numbers.store.ts'],
    entries: [
      ['receipts/receipt-revision.service.ts', 'receipt.announced'],
      ['receipts/receipt-changes.service.ts', 'receipt.relabelled'],
    ],
  },
  container_rejection: {
    writers: ['receipts/rejections.store.ts'],
    entries: [
      ['signatures/signing.service.ts', 'entry.action'],
      ['receipts/receipt-changes.service.ts', 'receipt.container-split-off'],
    ],
  },
  container_relabel: {
    writers: ['receipts/lineage.store.ts'],
    entries: [['receipts/receipt-changes.service.ts', 'receipt.relabelled']],
  },
  delivery: {
    writers: [
      'delivery/ask.store.ts',
      'delivery/build.store.ts',
      'delivery/claim.store.ts',
      'delivery/delivery-acts.store.ts',
      'delivery/outbox.store.ts',
      'delivery/outbox-rows.store.ts',
      'receipts/lineage.store.ts',
      'delivery/outcome.store.ts',
      'delivery/overlong-waits.store.ts',
      'delivery/recovery-doubt.store.ts',
      'pipeline/missing-deliveries.store.ts',
      'pipeline/stop-escalation.store.ts',
      'receipts/receipts.store.ts',
    ],
    entries: [
      ['pipeline/missing-deliveries.service.ts', 'receipt.deliveries-planned'],
      ['pipeline/begin-recovery.store.ts', 'doubted'],
      ['reconciliation/adoption.service.ts', 'delivery.recognised'],
      ['reconciliation/sweep-findings.service.ts', 'delivery.superseded'],
      ['delivery/settling.service.ts', 'delivery.$'],
      ['delivery/building.service.ts', 'delivery.parked'],
      ['delivery/asking.service.ts', 'delivery.read-back-'],
      ['delivery/asking.service.ts', 'delivery.superseded'],
      ['pipeline/stop-escalation.service.ts', 'delivery.superseded'],
      ['delivery/delivery-acts.service.ts', 'delivery.$'],
      ['delivery/recovery.service.ts', 'delivery.interrupted'],
      ['receipts/receipts.service.ts', 'result.attributed'],
      // What a statement, a stop or a superseded result takes back stands in their entries.
      ['statements/revision-messages.service.ts', 'takenBack'],
      ['pipeline/result-messages.service.ts', 'cancelled'],
    ],
  },
  delivery_act: {
    writers: ['delivery/delivery-acts.store.ts'],
    entries: [['delivery/delivery-acts.service.ts', 'delivery.$']],
  },
  destination: {
    writers: [
      'delivery/destination-control.store.ts',
      'delivery/destination.store.ts',
      'delivery/overlong-waits.store.ts',
    ],
    // Tokens and breaker change with every send and need none.
    entries: [
      ['delivery/destination-control.service.ts', 'destination.paused'],
      ['delivery/destination-control.service.ts', 'destination.resumed'],
      ['pipeline/begin-recovery.store.ts', 'instance.recovering'],
      ['pipeline/recovery.service.ts', 'instance.resumed'],
    ],
  },
  destination_watch: {
    writers: ['delivery/destination.store.ts', 'reconciliation/destination-watch.store.ts'],
    entries: [
      ['reconciliation/destination-watch.service.ts', 'destination.first-seen'],
      ['reconciliation/destination-watch.service.ts', 'destination.changed'],
      ['reconciliation/destination-watch.service.ts', 'destination.approved'],
      // A difference that many records share is a discrepancy.
      ['reconciliation/discrepancies.store.ts', 'discrepancy.opened'],
    ],
  },
  discrepancy: {
    writers: [
      'receipts/delivery-findings.store.ts',
      'receipts/lineage.store.ts',
      'receipts/receipts.store.ts',
      'receipts/rejections.store.ts',
      'reconciliation/comparison.store.ts',
      'reconciliation/discrepancies.store.ts',
      'reconciliation/discrepancy-list.store.ts',
    ],
    entries: [
      ['reconciliation/comparison.service.ts', 'comparedEntry('],
      ['reconciliation/discrepancies.service.ts', 'discrepancy.$'],
      ['reconciliation/discrepancies.store.ts', 'discrepancy.opened'],
      ['reconciliation/discrepancies.store.ts', 'discrepancy.closed'],
      ['receipts/receipts.service.ts', 'discrepancy.closed'],
      ['receipts/receipt-changes.service.ts', 'discrepancy.closed'],
    ],
  },
  discrepancy_event: {
    writers: ['reconciliation/discrepancy-list.store.ts'],
    entries: [['reconciliation/discrepancies.service.ts', 'discrepancy.$']],
  },
  attribute_inspection: {
    writers: ['receipts/inspections.store.ts'],
    entries: [['signatures/signing.service.ts', 'entry.action']],
  },
  inspection_lift: {
    writers: ['receipts/inspection-lifts.store.ts'],
    entries: [['signatures/signing.service.ts', 'entry.action']],
  },
  label_verification: {
    writers: ['receipts/label-verification.store.ts'],
    entries: [['signatures/signing.service.ts', 'entry.action']],
  },
  instance: {
    writers: [
      'cli/restored.store.ts',
      'pipeline/begin-recovery.store.ts',
      'pipeline/instance.store.ts',
      'pipeline/recovery.store.ts',
    ],
    entries: [
      ['pipeline/instance.store.ts', 'site.activated'],
      ['cli/restored.store.ts', 'instance.restored'],
      ['pipeline/begin-recovery.store.ts', 'instance.recovering'],
      ['pipeline/recovery.service.ts', 'instance.resumed'],
    ],
  },
  mapping_revision: {
    writers: ['mapping/mapping.store.ts'],
    entries: [
      ['mapping/mapping.service.ts', 'mapping.activated'],
      ['mapping/mapping.service.ts', 'mapping.retired'],
    ],
  },
  method_version: {
    writers: ['methods/method-registry.store.ts'],
    entries: [['methods/import-methods.store.ts', 'method.registered']],
  },
  method_event: {
    writers: ['methods/method-registry.store.ts'],
    entries: [
      ['methods/import-methods.store.ts', 'method.listed'],
      ['methods/import-methods.store.ts', 'method.left'],
      ['signatures/signing.service.ts', 'entry.action'],
    ],
  },
  inbound_document: {
    writers: ['pipeline/inbound.store.ts'],
    entries: [['pipeline/inbound.service.ts', 'inbound.$']],
  },
  inbound_line: {
    writers: ['pipeline/inbound.store.ts'],
    // What a line did to its receipt has entries of its own.
    entries: [['pipeline/inbound.service.ts', 'inbound.$']],
  },
  inbound_revision: {
    // Taking a document locks the revision in force and changes nothing of it.
    writers: ['mapping/inbound-revision.store.ts', 'pipeline/inbound.store.ts'],
    entries: [
      ['mapping/inbound-mappings.service.ts', 'inbound-mapping.activated'],
      ['mapping/inbound-mappings.service.ts', 'inbound-mapping.retired'],
    ],
  },
  period: {
    writers: ['reconciliation/periods.store.ts'],
    entries: [['signatures/signing.service.ts', 'entry.action']],
  },
  period_addendum: {
    writers: ['reconciliation/periods.store.ts'],
    entries: [['signatures/signing.service.ts', 'entry.action']],
  },
  receipt: {
    writers: [
      'receipts/facts.store.ts',
      'receipts/held-elsewhere.store.ts',
      'receipts/lineage.store.ts',
      'receipts/receipts.store.ts',
      'statements/statements.store.ts',
    ],
    entries: [
      // What destinations hold of a lost life comes with the discrepancy that names the revision.
      ['reconciliation/discrepancies.store.ts', 'discrepancy.opened'],
      ['receipts/receipt-changes.service.ts', 'receipt.cancelled'],
      ['receipts/receipt-changes.service.ts', 'receipt.merged'],
      ['receipts/receipt-changes.service.ts', 'receipt.split'],
      ['receipts/receipt-revision.service.ts', 'receipt.announced'],
      ['receipts/receipt-revision.service.ts', 'receipt.changed'],
    ],
  },
  receipt_link: {
    writers: ['receipts/lineage.store.ts'],
    entries: [
      ['receipts/receipt-changes.service.ts', 'receipt.split'],
      ['signatures/signing.service.ts', 'entry.action'],
    ],
  },
  receipt_revision: {
    writers: ['receipts/receipts.store.ts'],
    entries: [['receipts/receipt-revision.service.ts', 'receipt.changed']],
  },
  result: {
    writers: [
      'pipeline/after-holds.store.ts',
      'pipeline/result-messages.service.ts',
      'pipeline/review.store.ts',
      'pipeline/settle.store.ts',
      'receipts/attributions.store.ts',
      'receipts/lineage.store.ts',
      'receipts/receipts.store.ts',
    ],
    entries: [
      // The entry of a signed act names it: `result.cleared`, `result.refused`.
      ['signatures/signing.service.ts', 'entry.action'],
      ['receipts/receipt-changes.service.ts', 'receipt.split'],
      ['pipeline/settle-bundle.service.ts', 'bundle.$'],
      ['pipeline/result-messages.service.ts', 'result.superseded'],
      ['pipeline/after-holds.service.ts', 'result.held'],
      ['receipts/receipts.service.ts', 'result.attributed'],
      ['pipeline/attribution.service.ts', 'result.attributed'],
    ],
  },
  session: {
    writers: ['access/sessions.store.ts'],
    entries: [
      ['access/sessions.service.ts', 'session.started'],
      ['access/sessions.service.ts', 'session.ended'],
    ],
  },
  sign_in_tries: {
    writers: ['access/sign-in-tries.store.ts'],
    entries: [
      ['access/password-proof.service.ts', '.refused'],
      ['access/people.service.ts', 'account.unlocked'],
    ],
  },
  signature: {
    writers: ['signatures/signatures.store.ts'],
    entries: [['signatures/signing.service.ts', 'entry.action']],
  },
  site: {
    writers: ['pipeline/instance.store.ts'],
    entries: [['pipeline/instance.store.ts', 'site.activated']],
  },
  statement: {
    writers: ['statements/statements.store.ts'],
    entries: [['statements/revision-messages.service.ts', 'statement.revised']],
  },
  stop: {
    writers: ['delivery/outcome.store.ts', 'statements/statements.store.ts'],
    entries: [
      ['statements/revision-messages.service.ts', 'stop.issued'],
      ['delivery/asking.service.ts', 'stop.effective'],
      ['statements/statements.service.ts', 'stop.effective'],
    ],
  },
  sweep: {
    writers: ['reconciliation/sweeps.store.ts'],
    entries: [
      ['reconciliation/sweep.service.ts', 'sweep.requested'],
      ['reconciliation/sweep.service.ts', 'sweep.failed'],
      ['reconciliation/sweep-comparison.service.ts', 'sweep.failed'],
      ['reconciliation/sweep-comparison.service.ts', 'sweep.finished'],
    ],
  },
  stop_escalation: {
    writers: ['pipeline/stop-escalation.store.ts'],
    entries: [['pipeline/stop-escalation.service.ts', 'stop.']],
  },
  trail_review: {
    writers: ['audit/trail-review.store.ts'],
    entries: [['signatures/signing.service.ts', 'entry.action']],
  },
  withdrawal: {
    writers: ['pipeline/result-messages.service.ts'],
    entries: [['pipeline/result-messages.service.ts', 'withdrawnAt']],
  },
  worker: {
    writers: ['pipeline/worker.store.ts'],
    entries: [
      ['pipeline/gateway.service.ts', 'process.started'],
      ['pipeline/gateway.service.ts', 'process.stopped'],
    ],
  },
};

/** Tables whose rows need no entry of their own, each with the reason. */
const UNAUDITED: Readonly<Record<string, string>> = {
  attempt: 'a book of its own: a row for every attempt before its first byte, never deleted',
  audit_entry: 'the trail',
  comparison_cell: 'derived: `drumline recompute` makes it anew from rows that have their entries',
  comparison_due: 'what to compare next',
  comparison_mark:
    'what changed and is to be compared, or noted in the addendum of a closed period',
  comparison_receipt: 'derived, as comparison_cell',
  comparison_state: 'derived, as comparison_cell',
  destination_holding: 'what a sweep saw; what it means is a discrepancy, which has its entries',
  finding:
    'written once with the bundle that brought it to light, whose entry counts them, and never changed',
  instrument_service: 'derived from the folders that were activated, each of which has its entry',
  instrument_state: 'derived from bundles, each of which has its entry',
  intake_key: 'which request a bundle came by; the bundle has its entry',
  lane: 'who works on what at the moment',
  measured_trace: 'written once with its bundle, and never changed',
  method_reference: 'addressed by digest, never changed; the version names the digest',
  method_registry: 'names the state of the registry; what changed it has its entries',
  named_id: 'rows to lock, without content',
  ordering_key: 'counts deliveries of a subject, which have their entries',
  payload_bytes: 'addressed by digest, never changed; the delivery names the digest',
  period_change: 'what came to a closed period; the addendum that lists it is signed',
  performance_check: 'written once with its bundle, and never changed',
  raw_bytes: 'addressed by digest, never changed; the bundle names the digest',
  receipt_request: 'which request a change came by; the change has its entry',
  receipt_news: 'receipts to look at again',
  second_look: 'bundles to look at again',
  shared_difference: 'what stands behind a discrepancy of a destination, which has its entries',
  sweep_item: 'working notes of a sweep under way; gone when it ends',
  signing_sitting: 'how many signatures a session made in a row; each has its entry',
  site_evidence: 'a row to lock',
  statement_pull: 'a book of its own: who asked for which revision, never changed',
  trail_checkpoint: 'of the trail itself; verification judges it',
  trail_head: 'how far the trail is sealed; verification judges it',
};

describe('every table', () => {
  it('has its changes in the trail, or stands on the list of those that need none', async () => {
    const place = await temporaryPlace();
    await (await openDatabase(place)).close();
    const listed = [...Object.keys(AUDITED), ...Object.keys(UNAUDITED)];
    expect(new Set(listed).size).toBe(listed.length);
    expect((await tablesIn(place)).sort()).toEqual([...listed].sort());
  });

  it('is written by the files named here and by no others', () => {
    const found = writersByTable();
    for (const [table, { writers }] of Object.entries(AUDITED)) {
      const known = new Set(writers);
      const unknown = [...(found.get(table) ?? [])].filter((file) => !known.has(file));
      expect(unknown, `${table}: say where the change gets its entry`).toEqual([]);
      expect(found.get(table)?.size ?? 0, table).toBeGreaterThan(0);
    }
  });

  it('has the entries that are named here', () => {
    for (const [table, { entries }] of Object.entries(AUDITED)) {
      for (const [file, action] of entries) {
        const source = readFileSync(join(root, file), 'utf8');
        expect(source, `${table}: ${file}`).toContain(action);
        expect(source, `${table}: ${file}`).toMatch(
          /recordAudits?\(|auditDeliver(?:y|ies)\(|recordProcess|storeRevision\(/,
        );
      }
    }
  });
});

const WRITES =
  /(?:insertInto|updateTable|deleteFrom|preparedInsert|preparedInsertMany)\(\s*'([a-z_]+)'|\b(?:insert into|delete from|update) ([a-z_]+)\b/g;

/** Files of the service by the table they write; migrations are not part of it. */
function writersByTable(): Map<string, Set<string>> {
  const found = new Map<string, Set<string>>();
  for (const file of readdirSync(root, { recursive: true, encoding: 'utf8' })) {
    if (!file.endsWith('.ts') || file.startsWith(join('storage', 'migrations'))) continue;
    const source = readFileSync(join(root, file), 'utf8').replace(/^\s*(?:\/\/|\*|\/\*).*$/gm, '');
    for (const [, quoted, plain] of source.matchAll(WRITES)) {
      const table = quoted ?? plain ?? '';
      if (AUDITED[table] === undefined) continue;
      found.set(table, (found.get(table) ?? new Set()).add(file));
    }
  }
  return found;
}
