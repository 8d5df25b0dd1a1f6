import type { StatementContainer, StatementRecord } from '../records/statement-record.js';

const CONTAINERS_SHOWN_MAX = 100;

/** A statement as lines for people: outcome, every condition, the containers it speaks of, and cautions. */
export function statementText(statement: StatementRecord): string {
  const { receipt } = statement;
  const lines = [
    `${receipt.receiptId}: ${statement.outcome} (revision ${statement.revision}, valid until ${statement.validUntil})`,
    ...statement.conditions.map((c) => `  ${c.state.padEnd(13)} ${c.code}: ${c.found}`),
    ...containerLines(statement.containers),
    ...statement.decisions.map(
      (d) =>
        `  rests on ${d.id} (${d.rule}, ${signedText(d.signature)}), ${d.decidedBy}, ${d.date}: ${d.reason}`,
    ),
  ];
  if (statement.stopInForce) {
    const { kind, reason, issuedAt } = statement.stopInForce;
    lines.push(`  STOP IN FORCE: ${kind} since ${issuedAt}, ${reason}`);
  }
  lines.push(
    `Environment ${statement.environment}. It speaks of the containers listed as covered and of no other, and`,
    'identity is one of several tests. Drumline reports; the quality unit releases.',
  );
  return lines.join('\n');
}

function signedText(signature: StatementRecord['decisions'][number]['signature']): string {
  return signature === undefined
    ? 'unsigned'
    : `signed by ${signature.printedName}, ${signature.at}`;
}

/** One line a state, in the order in which the states first appear. */
function containerLines(containers: readonly StatementContainer[]): string[] {
  const byState = new Map<StatementContainer['state'], string[]>();
  for (const { state, label } of containers) {
    byState.set(state, [...(byState.get(state) ?? []), label]);
  }
  return [...byState].map(([state, labels]) => {
    const shown = labels.slice(0, CONTAINERS_SHOWN_MAX).join(', ');
    const more = labels.length - CONTAINERS_SHOWN_MAX;
    return `  containers ${state} (${labels.length}): ${shown}${more > 0 ? ` and ${more} more` : ''}`;
  });
}
