import { type AnimlPlace, categoriesOf, type PlacedCategory, VALUE_FORMS } from './animl-layout.js';
import { type UnitKey, unitElement } from './animl-units.js';
import { type FieldReader, fieldReader } from './record-fields.js';

/** The `Unit` element of every unit of the table, with its quantity. */
export const UNIT_ELEMENTS: Readonly<Record<UnitKey, string>> = {
  wavenumber: flat`${unitElement('wavenumber', true)}`,
  wavelength: flat`${unitElement('wavelength', true)}`,
  time: flat`${unitElement('time', true)}`,
  power: flat`${unitElement('power', true)}`,
  counts: flat`${unitElement('counts', true)}`,
  'counts-per-second': flat`${unitElement('counts-per-second', true)}`,
  arbitrary: flat`${unitElement('arbitrary', true)}`,
};

/**
 * A text in one piece. The engine keeps a text put together from others as a tree of them, which `join` walks anew for
 * every document that it stands in.
 */
export function flat(fixed: TemplateStringsArray, ...values: readonly string[]): string {
  return fixed.flatMap((text, at) => [text, values[at] ?? '']).join('');
}

/** One value of a category with the markup around it, put together once for all documents. */
export interface PreparedParameter {
  readonly read: FieldReader;
  readonly isText: boolean;
  readonly start: string;
  readonly end: string;
  readonly previous: PreparedParameter | null;
  /** Before the value, when it is the first of its category. */
  readonly first: string;
  /** Between the value of `previous` and this one. */
  readonly next: string;
  /** After the value, when it is the last of its category. */
  readonly close: string;
}

/** The single values of each place, in the order they are written: a document is the values between this markup. */
export const PREPARED: Readonly<Record<AnimlPlace, readonly (readonly PreparedParameter[])[]>> = {
  sample: categoriesOf('sample').map(prepareCategory),
  method: categoriesOf('method').map(prepareCategory),
  spectrum: categoriesOf('spectrum').map(prepareCategory),
  identity: categoriesOf('identity').map(prepareCategory),
  provenance: categoriesOf('provenance').map(prepareCategory),
};

function prepareCategory({ name, fields }: PlacedCategory): readonly PreparedParameter[] {
  const prepared: PreparedParameter[] = [];
  for (const field of fields) {
    const { type, element } = VALUE_FORMS[field.kind];
    const unit = field.unit === undefined ? '' : UNIT_ELEMENTS[field.unit];
    const start = flat`<Parameter name="${field.parameter}" parameterType="${type}"><${element}>`;
    const end = flat`</${element}>${unit}</Parameter>`;
    const previous = prepared.at(-1) ?? null;
    prepared.push({
      read: fieldReader(field.at),
      isText: element === 'S',
      start,
      end,
      previous,
      first: flat`<Category name="${name}">${start}`,
      next: flat`${previous?.end ?? ''}${start}`,
      close: flat`${end}</Category>`,
    });
  }
  return prepared;
}
