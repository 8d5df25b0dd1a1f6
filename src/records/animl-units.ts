/**
 * The closed table of units our documents use. The key is label and quantity; the SIUnit factors are for
 * display by other software and are never computed with here, because the AnIML schema does not say
 * whether a factor stands inside or outside the power.
 */
interface AnimlUnit {
  readonly label: string;
  readonly quantity: string;
  readonly si: readonly {
    readonly unit: '1' | 'm' | 'kg' | 's';
    readonly factor?: string;
    readonly exponent?: string;
  }[];
}

export const UNITS = {
  wavenumber: {
    label: '1/cm',
    quantity: 'Wavenumber',
    si: [{ unit: 'm', factor: '1e-2', exponent: '-1' }],
  },
  wavelength: { label: 'nm', quantity: 'Wavelength', si: [{ unit: 'm', factor: '1e-9' }] },
  time: { label: 'ms', quantity: 'Time', si: [{ unit: 's', factor: '1e-3' }] },
  power: {
    label: 'mW',
    quantity: 'Power',
    si: [
      { unit: 'kg', factor: '1e-3' },
      { unit: 'm', exponent: '2' },
      { unit: 's', exponent: '-3' },
    ],
  },
  counts: { label: 'counts', quantity: 'Intensity', si: [{ unit: '1' }] },
  'counts-per-second': {
    label: 'counts/s',
    quantity: 'Intensity',
    si: [{ unit: 's', exponent: '-1' }],
  },
  arbitrary: { label: 'arbitrary', quantity: 'Intensity', si: [{ unit: '1' }] },
} as const satisfies Record<string, AnimlUnit>;

export type UnitKey = keyof typeof UNITS;

export function isUnitKey(text: string): text is UnitKey {
  return Object.hasOwn(UNITS, text);
}

/** The `Unit` element of a document; a technique definition names the quantity around it instead. */
export function unitElement(key: UnitKey, withQuantity: boolean): string {
  const unit: AnimlUnit = UNITS[key];
  const si = unit.si
    .map(
      (part) =>
        `<SIUnit${attribute('factor', part.factor)}${attribute('exponent', part.exponent)}>${part.unit}</SIUnit>`,
    )
    .join('');
  const quantity = withQuantity ? attribute('quantity', unit.quantity) : '';
  return `<Unit label="${unit.label}"${quantity}>${si}</Unit>`;
}

function attribute(name: string, value: string | undefined): string {
  return value === undefined ? '' : ` ${name}="${value}"`;
}
