import type { TrailReviewList, TrailReviewView } from '../statements/trail-review-view.js';

/** What was reviewed and what is due, a review a line. */
export function trailReviewListText(list: TrailReviewList): string {
  const { due, faults, reviews } = list;
  return [
    due === null
      ? 'Nothing was sealed since the last review.'
      : `due: entries ${due.first} to ${due.last}`,
    ...faults.map((fault) => `FAULT: ${fault}`),
    ...reviews.map(
      (r) => `${r.first} to ${r.last}  ${r.at}  ${r.printedName} (${r.userName}): ${r.findings}`,
    ),
  ].join('\n');
}

/** A range as a reviewer signs it, the verdict first. */
export function trailReviewText({ shown, sha256 }: TrailReviewView): string {
  const { record } = shown;
  const { faults, faultCount, remarks } = record.verification;
  return [
    faultCount === 0
      ? `whole: entries 0 to ${record.last} are as they were sealed`
      : `BROKEN: ${faultCount} found in entries 0 to ${record.last}`,
    ...faults.map((fault) => `  ${fault}`),
    ...record.seriesFaults.map((fault) => `  reviews: ${fault}`),
    `entries  ${record.first} to ${record.last} (${record.entries}), ${record.from} to ${record.to}`,
    `root     ${record.root}`,
    ...remarks.map((remark) => `remark   ${remark}`),
    'by action',
    ...record.actions.map(({ name, count }) => `  ${String(count).padStart(7)}  ${name}`),
    'by person or program',
    ...record.people.map(
      ({ name, userName, count }) =>
        `  ${String(count).padStart(7)}  ${userName === null ? name : `${userName} (${name})`}`,
    ),
    ...record.earlier.map(
      (r) =>
        `earlier  ${r.first} to ${r.last} by ${r.printedName}: ${r.findings}${r.rootAgrees ? '' : '; THE TRAIL HAS ANOTHER ROOT NOW'}`,
    ),
    `last     ${record.last}`,
    `shown    ${sha256}`,
  ].join('\n');
}
