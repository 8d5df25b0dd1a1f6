/** What is wrong with a trail, at a named place. Any of them makes it broken. */
export type TrailFaultKind =
  | 'edited'
  | 'swapped'
  | 'inserted'
  | 'deleted'
  | 'truncated'
  | 'unsealed-too-long'
  | 'head-mismatch'
  | 'checkpoint-mismatch'
  | 'bad-signature'
  | 'unreadable';

export interface TrailFault {
  readonly kind: TrailFaultKind;
  /** Number of the first entry concerned; null when it is about no entry by number. */
  readonly sequence: number | null;
  /** Number of the last entry it may be about, when more than one. */
  readonly upTo?: number;
  /** Id of the entry found there. */
  readonly entry?: string;
  /** Size of the checkpoint that shows it. */
  readonly checkpoint?: number;
  readonly text: string;
}

/** What an examiner should know and what breaks nothing. */
export type TrailRemarkKind =
  | 'clock-set-back'
  | 'time-ahead'
  | 'unsigned'
  | 'key-from-trail'
  | 'key-changed'
  | 'no-checkpoint'
  | 'life-ended'
  | 'after-last-checkpoint';

export interface TrailRemark {
  readonly kind: TrailRemarkKind;
  readonly sequence: number | null;
  readonly text: string;
}

/** Faults and remarks a report lists; what comes after is counted. */
const LISTED_MAX = 50;

/** Collects what is found, the first ones in full: a trail with a million faults is broken in bounded memory. */
export class Findings {
  readonly faults: TrailFault[] = [];
  readonly remarks: TrailRemark[] = [];
  faultCount = 0;
  remarkCount = 0;
  /** The fault of the lowest number, also behind those listed; one without a number comes last. */
  first: TrailFault | null = null;

  fault(fault: TrailFault): void {
    this.faultCount += 1;
    const { first } = this;
    if (first === null || (fault.sequence ?? Infinity) < (first.sequence ?? Infinity)) {
      this.first = fault;
    }
    if (this.faults.length < LISTED_MAX) this.faults.push(fault);
  }

  remark(remark: TrailRemark): void {
    this.remarkCount += 1;
    if (this.remarks.length < LISTED_MAX) this.remarks.push(remark);
  }
}
