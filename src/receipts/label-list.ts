import { readElementString } from '../formats/gs1-element-string.js';
import {
  findLabelClashes,
  gs1LabelFault,
  LABEL_LENGTH_MAX,
  normaliseLabel,
  notOneContainer,
  printedLabel,
} from './label.js';
import { CONTAINERS_MAX } from './receipt-bounds.js';

/** One thing that is wrong with a list of labels. */
export interface LabelFault {
  readonly rule:
    | 'empty-label'
    | 'too-long'
    | 'control-character'
    | 'range'
    | 'too-many'
    | 'gs1'
    | 'not-one-container'
    | 'duplicate-label';
  /** Place in the list as it was written, from 0. */
  readonly item: number;
  readonly message: string;
  readonly remedy: string;
}

export interface LabelList {
  /** Every label by itself, ranges written out. */
  readonly labels: readonly string[];
  readonly faults: readonly LabelFault[];
}

/** C0, DEL and C1 controls: nothing a label shows. */
const CONTROLS = /\p{Cc}/u;
/** A clash of two long ranges is one mistake, not twenty thousand. */
const CLASHES_NAMED_MAX = 20;
const RANGE = /^(.*?)(\d{1,12})\.\.(.*?)(\d{1,12})$/u;
const DOTS = '..';
const RANGE_LENGTH_MAX = 2 * LABEL_LENGTH_MAX + DOTS.length;

/**
 * Reads the labels of a receipt: single ones, and ranges of running numbers written `C-001..C-040`. Both ends of a range
 * have the same text before the number. With leading zeros both numbers have the same length, and the zeros stay;
 * without, the numbers are written as they are. A GS1 element string is never read as a range.
 *
 * The whole list must name every container once: what names the same container twice, a pallet or a whole batch is
 * a fault, and nothing is dropped or guessed.
 */
export function readLabelList(items: readonly string[]): LabelList {
  const faults: LabelFault[] = [];
  const labels: string[] = [];
  const itemOf: number[] = [];
  items.forEach((item, at) => {
    const expanded = expand(item, CONTAINERS_MAX - labels.length);
    if (typeof expanded === 'string') {
      if (!faults.some(({ rule }) => rule === 'too-many')) faults.push(rangeFault(at, expanded));
      return;
    }
    for (const label of expanded) {
      const fault = labelFault(label);
      if (fault) faults.push({ item: at, ...fault });
      labels.push(label);
      itemOf.push(at);
    }
  });
  if (faults.some(({ rule }) => rule === 'too-many')) return { labels: [], faults };
  return { labels, faults: [...faults, ...clashFaults(items, labels, itemOf)] };
}

/** The labels of one item; 'too-many' or the reason why it is no range. */
function expand(item: string, room: number): string[] | string {
  const text = item.trim();
  if (room < 1) return 'too-many';
  const isSingle = !text.includes(DOTS) || text.length > RANGE_LENGTH_MAX;
  if (isSingle || readElementString(text).kind !== 'not-gs1') return [text];
  const [, prefix = '', first = '', prefixLast, last = ''] = RANGE.exec(text) ?? [];
  if (prefixLast === undefined) return 'expected two labels that end in a number';
  if (prefix !== prefixLast) {
    return `begins with "${prefix}" and ends with "${prefixLast}", expected the same text before both numbers`;
  }
  const isPadded = isZeroLed(first) || isZeroLed(last);
  if (isPadded && first.length !== last.length) {
    return `numbers with leading zeros have ${first.length} and ${last.length} digits, expected as many`;
  }
  const [from, to] = [Number(first), Number(last)];
  if (from > to) return `runs from ${first} down to ${last}`;
  if (to - from + 1 > room) return 'too-many';
  const width = isPadded ? first.length : 0;
  return Array.from(
    { length: to - from + 1 },
    (_, i) => `${prefix}${String(from + i).padStart(width, '0')}`,
  );
}

function isZeroLed(digits: string): boolean {
  return digits.length > 1 && digits.startsWith('0');
}

function rangeFault(item: number, why: string): LabelFault {
  if (why === 'too-many') {
    return {
      rule: 'too-many',
      item,
      message: `found more than ${CONTAINERS_MAX} labels with place ${item + 1}, expected at most ${CONTAINERS_MAX}`,
      remedy: 'Announce the shipment as several receipt lines.',
    };
  }
  return {
    rule: 'range',
    item,
    message: `the range at place ${item + 1} ${why}`,
    remedy: 'Write a range as C-001..C-040, or list the labels one by one.',
  };
}

/** What is wrong with one label by itself. */
export function labelFault(label: string): Omit<LabelFault, 'item'> | null {
  if (printedLabel(label) === '') {
    return {
      rule: 'empty-label',
      message: 'a label is empty',
      remedy: 'Remove the extra semicolon or write the label.',
    };
  }
  if (label.length > LABEL_LENGTH_MAX) {
    return {
      rule: 'too-long',
      message: `found ${label.length} characters, expected at most ${LABEL_LENGTH_MAX}`,
      remedy: 'Shorten the text; it is never cut.',
    };
  }
  const gs1 = gs1LabelFault(label);
  if (gs1 !== null) {
    return {
      rule: 'gs1',
      message: `"${shown(label)}", ${gs1}`,
      remedy: 'Compare with the label; a text in GS1 form must be one by its rules.',
    };
  }
  const isElementString = readElementString(normaliseLabel(label)).kind === 'elements';
  if (!isElementString && CONTROLS.test(label)) {
    return {
      rule: 'control-character',
      message: `"${shown(label)}" holds a control character`,
      remedy: 'Remove it; nothing printed shows it.',
    };
  }
  const why = notOneContainer(label);
  return why === null
    ? null
    : {
        rule: 'not-one-container',
        message: `"${shown(label)}" ${why}`,
        remedy: 'Give every container a label of its own.',
      };
}

/** Separators of element strings made visible. */
function shown(label: string): string {
  return label.replace(/\p{Cc}/gu, '␝');
}

function clashFaults(
  items: readonly string[],
  labels: readonly string[],
  itemOf: readonly number[],
): LabelFault[] {
  const clashes = findLabelClashes(labels).filter(({ normalised }) => normalised !== '');
  const faults = clashes
    .slice(0, CLASHES_NAMED_MAX)
    .map(({ normalised, positions }): LabelFault => {
      const places = positions.map((p) => itemOf[p] ?? 0);
      const where = places.map((at) => `${at + 1} ("${(items[at] ?? '').trim().slice(0, 60)}")`);
      return {
        rule: 'duplicate-label',
        item: places.at(-1) ?? 0,
        message: `"${normalised}" stands ${positions.length} times (places ${where.slice(0, 5).join(', ')})`,
        remedy: 'Relabel the containers; the receipt is taken when every label is different.',
      };
    });
  const more = clashes.length - CLASHES_NAMED_MAX;
  if (more <= 0) return faults;
  return [
    ...faults,
    {
      rule: 'duplicate-label',
      item: 0,
      message: `${more} more labels stand more than once`,
      remedy: 'Look for ranges that overlap.',
    },
  ];
}
