/**
 * Rows of a table on paper, so that none is higher than a page and no table wider: what lays pages out shows the first page
 * alone of a row that it keeps together, and lets a column grow out of the page with its longest word.
 */

/** Points between two columns, on either side, and within the margins of a page (A4, landscape). */
export const PADDING = 8;
const PAGE_ROOM = 760;

/**
 * Characters of a cell in one row of the table; a longer one goes on in the next. Where five columns share a page's room,
 * so many of the widest take half of its height.
 */
const PART_MAX = 300;
/** A part ends between two words, unless the last of its words is longer than this. */
const LAST_WORD_MAX = 60;

/** A first cell up to this length stays in one line: class names are broken at their hyphens otherwise. */
const ONE_LINE_MAX = 28;

/** Points that a character takes at most in 9-point type, unless it is a wide one, which takes so much more. */
const CHARACTER = 5.2;
const WIDE_BY = 1.6;
const WIDE = /[A-Zmw@%&~]|[^ -~]/g;

interface RowPart {
  readonly cells: readonly string[];
  /** It goes on with what stands above it. */
  readonly isContinued: boolean;
}

/** A row as one or more rows that hold all of it, none of them higher than a page. */
export function partsOfRow(row: readonly string[]): RowPart[] {
  const cells = row.map(partsOfText);
  const count = Math.max(1, ...cells.map((parts) => parts.length));
  return Array.from({ length: count }, (_, n) => ({
    cells: cells.map((parts) => parts[n] ?? ''),
    isContinued: n > 0,
  }));
}

function partsOfText(text: string): string[] {
  const parts: string[] = [];
  let from = 0;
  while (text.length - from > PART_MAX) {
    const most = text.slice(from, from + PART_MAX);
    const space = most.lastIndexOf(' ');
    // Nor within the code of a character.
    const inCode = /\\(?:u(?:\{[0-9A-F]*)?)?$/.exec(most)?.index ?? PART_MAX;
    const end = space >= PART_MAX - LAST_WORD_MAX ? space + 1 : inCode;
    parts.push(most.slice(0, end));
    from += end;
  }
  return [...parts, text.slice(from)];
}

/** Too long for a column that takes no more room than it asks for. */
export function isLong(text: string): boolean {
  return text.length > 2 * LAST_WORD_MAX;
}

export function isOneLine(text: string, column: number): boolean {
  return column === 0 && text.length <= ONE_LINE_MAX;
}

/** Room that a text asks for at most, in characters that are not wide. */
export function roomOf(text: string): number {
  return text.length + (WIDE_BY - 1) * (text.match(WIDE)?.length ?? 0);
}

/**
 * Room of the longest word that is to stay in one line. All may, as a rule; where columns as wide as their longest words
 * would not find room beside each other, the longest of these are to be broken.
 *
 * @param isWide columns that share the room the others leave, so that each is as wide as the widest of them
 */
export function wordMaxOf(parts: readonly RowPart[], isWide: readonly boolean[]): number {
  const longest = isWide.map((_, column) =>
    parts.reduce((most, { cells }) => Math.max(most, longestWord(cells[column] ?? '', column)), 0),
  );
  const widest = Math.max(0, ...longest.filter((_, i) => isWide[i]));
  const least = longest.map((room, i) => (isWide[i] ? widest : room));
  const room = (PAGE_ROOM - 2 * PADDING * (isWide.length - 1)) / CHARACTER;
  let max = Math.ceil(Math.max(1, ...least));
  while (max > 1 && least.reduce((sum, one) => sum + Math.min(one, max), 0) > room) max -= 1;
  return max;
}

function longestWord(text: string, column: number): number {
  const words = isOneLine(text, column) ? [text] : text.split(' ');
  return Math.max(...words.map(roomOf));
}
