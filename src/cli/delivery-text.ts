import type { ActReport } from '../delivery/delivery-act-answer.js';
import type { DeliveryPage } from '../delivery/delivery-acts.service.js';
import type { StoppedCount } from '../delivery/delivery-acts.store.js';
import type { PossibleAct, ShownDelivery } from '../delivery/shown-delivery.js';

export function countsText(counts: readonly StoppedCount[]): string {
  if (counts.length === 0) return 'no delivery waits for a person';
  return counts
    .map((c) => `${c.count} at ${c.destination}: ${c.state} (${c.fault ?? 'no cause named'})`)
    .join('\n');
}

export function deliveryLine(d: ShownDelivery): string {
  const acts = [
    d.resend.can ? `resend (${d.resend.does})` : null,
    d.rebuild.can ? 'rebuild' : null,
    d.retire.can ? 'retire' : null,
  ].filter((act) => act !== null);
  return [
    d.id,
    `${d.destination} ${d.message} revision ${d.revision} build ${d.build}`,
    `${d.state} ${d.fault ?? ''}`.trim(),
    d.standing,
    `open: ${acts.join(', ') || 'nothing'}`,
  ].join('  ');
}

export function pageText({ delivery: d, builds, attempts, acts }: DeliveryPage): string {
  return [
    `delivery  ${d.id}`,
    `message   ${d.message} revision ${d.revision}, build ${d.build} of ${builds.length}, for ${d.destination}`,
    `receipt   ${d.receiptId ?? 'none'}`,
    `state     ${d.state}${d.fault === null ? '' : ` (${d.fault})`}: ${d.reason ?? 'no reason kept'}`,
    `known     ${d.standing}`,
    `mapping   ${d.mapping}${d.mappingInForce === d.mapping ? '' : `, in force ${d.mappingInForce ?? 'none'}`}`,
    ...attempts.map(
      (a) =>
        `${a.kind}      ${a.startedAt}  ${a.outcome ?? 'no end known'}${a.status === null ? '' : ` ${a.status}`}  ${a.detail ?? ''}`,
    ),
    ...acts.map((a) => `act       ${a.at}  ${a.done} by ${a.actor}: ${a.reason}`),
    `resend    ${possibleText(d.resend)}`,
    `rebuild   ${possibleText(d.rebuild)}`,
    `retire    ${possibleText(d.retire)}`,
    `shown     ${d.version}`,
  ].join('\n');
}

export function reportText(report: ActReport): string {
  if (report.isDone) {
    const as = report.deliveryId === report.id ? '' : `, as ${report.deliveryId}`;
    return `${report.id}: ${report.done}${as}`;
  }
  return `${report.id}: nothing done (${report.code}): ${report.found}. ${report.remedy}`;
}

function possibleText(possible: PossibleAct): string {
  return possible.can
    ? possible.does
    : `no (${possible.code}): ${possible.found}. ${possible.remedy}`;
}
