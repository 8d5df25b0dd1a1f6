/**
 * The forms in which a writer puts ordinates (see `jcamp-ordinates.ts`). `dif-dup` needs whole numbers; `affn`
 * takes any and keeps every digit of a double.
 */
export type OrdinateForm = 'affn' | 'pac' | 'sqz' | 'dif' | 'dif-dup';

/** Lines of a JCAMP-DX file are at most this long. */
export const JCAMP_COLUMNS = 80;

const SQZ = { plus: '@ABCDEFGHI', minus: '@abcdefghi' };
const DIF = { plus: '%JKLMNOPQR', minus: '%jklmnopqr' };
const DUP = ' STUVWXYZs';

/**
 * Lines of a table (X++(Y..Y)).
 *
 * @param xOf the x printed before the point of that index, a check for the reader
 * @throws RangeError when a form for whole numbers is given another number, or no number at all
 */
export function encodeOrdinates(
  values: ArrayLike<number>,
  form: OrdinateForm,
  xOf: (index: number) => string,
): string[] {
  refuseUnfit(values, form);
  return form === 'dif' || form === 'dif-dup'
    ? differenceLines(values, form === 'dif-dup', xOf)
    : plainLines(values, form, xOf);
}

/** Lines of pairs (XY..XY), several a line, each number with every digit of the double. */
export function encodePairs(x: ArrayLike<number>, y: ArrayLike<number>): string[] {
  refuseUnfit(x, 'affn');
  refuseUnfit(y, 'affn');
  const lines: string[] = [];
  let line = '';
  for (let i = 0; i < x.length; i++) {
    const pair = `${affn(x[i] ?? 0)},${affn(y[i] ?? 0)}`;
    if (line === '') line = pair;
    else if (line.length + 1 + pair.length > JCAMP_COLUMNS) {
      lines.push(line);
      line = pair;
    } else line += ` ${pair}`;
  }
  if (line !== '') lines.push(line);
  return lines;
}

/** A number in AFFN form with every digit of the double: what JavaScript prints, the exponent with its sign. */
export function affn(value: number): string {
  return Object.is(value, -0) ? '-0' : String(value).replace('e', 'E');
}

function refuseUnfit(values: ArrayLike<number>, form: OrdinateForm): void {
  for (let i = 0; i < values.length; i++) {
    const value = values[i] ?? Number.NaN;
    const isFit =
      form === 'affn' ? Number.isFinite(value) : Math.abs(value) <= INT_MAX && value % 1 === 0;
    if (isFit) continue;
    const expected = form === 'affn' ? 'a finite number' : 'a whole number of 32 bits';
    throw new RangeError(`point ${i}: expected ${expected} for ${form}, found ${value}`);
  }
}

const INT_MAX = 2_147_483_647;

function plainLines(
  values: ArrayLike<number>,
  form: 'affn' | 'pac' | 'sqz',
  xOf: (index: number) => string,
): string[] {
  const write = { affn: (v: number) => ` ${affn(v)}`, pac, sqz }[form];
  const lines: string[] = [];
  let line = '';
  for (let i = 0; i < values.length; i++) {
    const text = write(values[i] ?? 0);
    if (line === '' || line.length + text.length > JCAMP_COLUMNS) {
      if (line !== '') lines.push(line);
      line = xOf(i);
    }
    line += text;
  }
  if (line !== '') lines.push(line);
  return lines;
}

/** Every line but the first begins with the last value of the line before, as the check of its differences. */
function differenceLines(
  values: ArrayLike<number>,
  hasDup: boolean,
  xOf: (index: number) => string,
): string[] {
  const lines: string[] = [];
  const valueAt = (i: number) => values[i] ?? 0;
  let line = values.length === 0 ? '' : xOf(0) + sqz(valueAt(0));
  let i = 1;
  while (i < values.length) {
    const by = valueAt(i) - valueAt(i - 1);
    let times = 1;
    while (
      hasDup &&
      i + times < values.length &&
      valueAt(i + times) - valueAt(i + times - 1) === by
    ) {
      times += 1;
    }
    const one = lettered(by, DIF);
    // Written out when that is shorter than a count.
    const text = times === 1 ? one : shorter(one.repeat(times), one + dup(times));
    if (line.length + text.length > JCAMP_COLUMNS) {
      lines.push(line);
      line = xOf(i - 1) + sqz(valueAt(i - 1));
    }
    line += text;
    i += times;
  }
  if (line !== '') lines.push(line);
  if (values.length > 1) lines.push(xOf(values.length - 1) + sqz(valueAt(values.length - 1)));
  return lines;
}

function shorter(a: string, b: string): string {
  return a.length <= b.length ? a : b;
}

function pac(value: number): string {
  return value < 0 ? String(value) : `+${value === 0 ? 0 : value}`;
}

function sqz(value: number): string {
  return lettered(value, SQZ);
}

function lettered(
  value: number,
  letters: { readonly plus: string; readonly minus: string },
): string {
  const digits = String(Math.abs(value));
  const set = value < 0 ? letters.minus : letters.plus;
  return (set[Number(digits[0])] ?? '') + digits.slice(1);
}

function dup(times: number): string {
  const digits = String(times);
  return (DUP[Number(digits[0])] ?? '') + digits.slice(1);
}
