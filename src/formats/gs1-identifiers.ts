/**
 * GS1 application identifiers (AIs) that labels of drums, bags and pallets carry, as data. Lengths, content, check
 * digits and which of them end by their length alone: GS1 General Specifications, as printed in the GS1 Barcode
 * Syntax Dictionary (gs1/gs1-syntax-dictionary, file gs1-syntax-dictionary.txt, read 2026).
 */
export interface Gs1Identifier {
  /** Two to four digits. No identifier is the beginning of another. */
  readonly ai: string;
  readonly title: string;
  /** N: digits only. X: the 82 characters of the specification's table for text. */
  readonly content: 'N' | 'X';
  readonly lengthMin: number;
  readonly lengthMax: number;
  /** True when no separator is needed after it: its length is known from the first two digits. */
  readonly isPredefined: boolean;
  /** `digit`: the last digit is a check digit. `date`: YYMMDD, day 00 for a month. */
  readonly check: 'none' | 'digit' | 'date';
}

const FIXED: readonly (readonly [ai: string, title: string, length: number, check: Check])[] = [
  ['00', 'SSCC', 18, 'digit'],
  ['01', 'GTIN', 14, 'digit'],
  ['02', 'GTIN of content', 14, 'digit'],
  ['11', 'production date', 6, 'date'],
  ['12', 'due date', 6, 'date'],
  ['13', 'packaging date', 6, 'date'],
  ['15', 'best before date', 6, 'date'],
  ['16', 'sell by date', 6, 'date'],
  ['17', 'expiry date', 6, 'date'],
  ['20', 'variant', 2, 'none'],
  ['410', 'ship to', 13, 'digit'],
  ['411', 'bill to', 13, 'digit'],
  ['412', 'purchased from', 13, 'digit'],
  ['413', 'ship for', 13, 'digit'],
  ['414', 'location', 13, 'digit'],
  ['415', 'pay to', 13, 'digit'],
  ['416', 'production location', 13, 'digit'],
  ['417', 'party', 13, 'digit'],
];

type Check = Gs1Identifier['check'];

/** First three digits of measures; the fourth, 0 to 5, is the place of the decimal point. */
const MEASURES: readonly (readonly [from: number, to: number])[] = [
  [310, 316],
  [320, 337],
  [340, 357],
  [360, 369],
];

const VARIABLE: readonly (readonly [ai: string, title: string, of: 'N' | 'X', max: number])[] = [
  ['10', 'batch or lot', 'X', 20],
  ['21', 'serial number', 'X', 20],
  ['22', 'consumer product variant', 'X', 20],
  ['235', 'third-party serial', 'X', 28],
  ['240', 'additional product id', 'X', 30],
  ['241', "customer's part number", 'X', 30],
  ['242', 'made-to-order variant', 'N', 6],
  ['243', 'packaging component', 'X', 20],
  ['250', 'secondary serial', 'X', 30],
  ['251', 'reference to source', 'X', 30],
  ['30', 'variable count', 'N', 8],
  ['37', 'count of trade items', 'N', 8],
  ['400', 'order number', 'X', 30],
  ['401', 'consignment', 'X', 30],
  ['403', 'routing code', 'X', 30],
  ['420', 'ship to postal code', 'X', 20],
  ['710', 'national reimbursement number 710', 'X', 20],
  ['711', 'national reimbursement number 711', 'X', 20],
  ['712', 'national reimbursement number 712', 'X', 20],
  ['713', 'national reimbursement number 713', 'X', 20],
  ['714', 'national reimbursement number 714', 'X', 20],
  ['715', 'national reimbursement number 715', 'X', 20],
  ['90', 'internal', 'X', 30],
  ...Array.from({ length: 9 }, (_, i) => [`${91 + i}`, 'internal', 'X', 90] as const),
];

const BY_CODE: ReadonlyMap<string, Gs1Identifier> = new Map(
  [
    ...FIXED.map(([ai, title, length, check]) => fixed(ai, title, length, check)),
    ...MEASURES.flatMap(([from, to]) => measures(from, to)),
    ...VARIABLE.map(
      ([ai, title, content, lengthMax]): Gs1Identifier => ({
        ai,
        title,
        content,
        lengthMin: 1,
        lengthMax,
        isPredefined: false,
        check: 'none',
      }),
    ),
  ].map((identifier) => [identifier.ai, identifier]),
);

function fixed(ai: string, title: string, length: number, check: Check): Gs1Identifier {
  const of = { lengthMin: length, lengthMax: length, isPredefined: true };
  return { ai, title, content: 'N', check, ...of };
}

function measures(from: number, to: number): Gs1Identifier[] {
  const all: Gs1Identifier[] = [];
  for (let three = from; three <= to; three++) {
    for (let point = 0; point <= 5; point++)
      all.push(fixed(`${three}${point}`, 'measure', 6, 'none'));
  }
  return all;
}

/** The identifier of exactly this code; null when it is none of the table. */
export function gs1Identifier(ai: string): Gs1Identifier | null {
  return BY_CODE.get(ai) ?? null;
}

/** The identifier that begins at this place of a plain element string. */
export function gs1IdentifierAt(text: string, at: number): Gs1Identifier | null {
  for (const length of [2, 3, 4]) {
    const found = BY_CODE.get(text.slice(at, at + length));
    if (found && found.ai.length === length) return found;
  }
  return null;
}

/**
 * Check digit of a GS1 number without it: weights 3 and 1 in turn from the right, what is missing to the next ten
 * (GS1 General Specifications, standard check digit calculation).
 *
 * @param digits digits only
 */
export function gs1CheckDigit(digits: string): string {
  let sum = 0;
  for (let i = 0; i < digits.length; i++) {
    sum += Number(digits[digits.length - 1 - i]) * (i % 2 === 0 ? 3 : 1);
  }
  return String((10 - (sum % 10)) % 10);
}
