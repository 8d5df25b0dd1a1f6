import { formatInZone } from '../formats/time-zone.js';
import type { Condition } from '../records/statement-record.js';
import type { Signature } from '../signatures/signature.js';
import { condition, metUnless, named } from './condition.js';
import { decisionFaults } from './decisions.js';
import type { StatementFacts } from './facts.js';
import { type StatementEvidence, statementValidity } from './statement-evidence.js';

/**
 * Rule 15: a reviewer who measured nothing here has signed what the statement rests on now. The last signature
 * counts and no earlier one: a refusal stands until somebody signs after it, also when its evidence reads
 * differently since, and also where the site does without a second person. That a signer's account was
 * deactivated later changes nothing of what they signed.
 */
export function secondPerson(facts: StatementFacts, evidence: StatementEvidence): Condition {
  const code = 'second-person';
  const rule = facts.site.secondPerson;
  const signature = facts.secondPerson;
  const signed = signature === null ? [] : [{ kind: 'signature', id: signature.id }];
  if (signature?.meaning === 'refused') {
    return condition(code, 'unmet', `refused by ${words(signature)}`, signed);
  }
  const validity = signature === null ? null : statementValidity(signature, evidence);
  if (signature !== null && signature.meaning === 'approved' && validity?.kind === 'valid') {
    return condition(code, 'met', `approved by ${words(signature)}`, signed);
  }
  if (!rule.required) {
    return metUnless(
      code,
      decisionFaults(facts, rule.decision, 'leaving out the second person'),
      `switched off by site decision ${rule.decision}`,
      { evidence: [{ kind: 'decision', id: rule.decision }] },
    );
  }
  if (signature === null) {
    return condition(code, 'unmet', 'no reviewer who measured nothing here has signed');
  }
  const where =
    validity?.kind === 'void' ? named(validity.changed.map((p) => p || 'the whole')) : '';
  return condition(
    code,
    'unmet',
    `void: what ${signature.printedName} approved reads differently now, changed at ${where}`,
    signed,
  );
}

function words({ printedName, at, zone, reason }: Signature): string {
  return `${printedName}, ${formatInZone(at, zone)}: ${reason}`;
}
