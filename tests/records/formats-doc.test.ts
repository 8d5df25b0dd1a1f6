import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { type AnimlPlace, categoriesOf, VALUE_FORMS } from '../../src/records/animl-layout.js';
import { UNITS } from '../../src/records/animl-units.js';
import { CSV_COLUMNS } from '../../src/records/csv-record.js';
import { RECORD_FIELDS } from '../../src/records/record-fields.js';
import { repositoryRoot } from '../support/shared.js';

const PLACES: Readonly<Record<AnimlPlace, string>> = {
  sample: 'Sample',
  method: 'Method',
  spectrum: 'Result Spectrum',
  identity: 'Result Identity',
  provenance: 'Result Provenance',
};

const DOCUMENT = readFileSync(join(repositoryRoot(), 'docs', 'formats.md'), 'utf8');
const ROWS = DOCUMENT.slice(DOCUMENT.indexOf('## Fields'))
  .split('\n')
  .filter((line) => line.startsWith('| `'))
  .map((line) =>
    line
      .slice(1, -1)
      .split('|')
      .map((cell) => cell.trim()),
  );

describe('docs/formats.md', () => {
  it('lists every field of the record, in order, and no other', () => {
    expect(ROWS.map(([at]) => at)).toEqual(RECORD_FIELDS.map(({ at }) => `\`${at}\``));
  });

  it('names the CSV column of every field', () => {
    const lists = ['candidates', 'remarks', 'findings'];
    expect([...ROWS.map(([, column]) => column?.replaceAll('`', '')), ...lists]).toEqual(
      CSV_COLUMNS,
    );
    for (const list of lists)
      expect(DOCUMENT).toMatch(new RegExp(`\\| \`${list}\` +\\| JSON list`));
  });

  it('names place, category, parameter, type and unit of every field in AnIML', () => {
    const placed = new Map<string, readonly string[]>(
      (Object.keys(PLACES) as AnimlPlace[])
        .flatMap(categoriesOf)
        .flatMap(({ fields }) => fields)
        .map((field) => {
          const unit = field.unit === undefined ? '' : `, ${UNITS[field.unit].label}`;
          const place = `${PLACES[field.place]} / ${field.category} / ${field.parameter}`;
          return [`\`${field.at}\``, [place, `${VALUE_FORMS[field.kind].type}${unit}`]] as const;
        }),
    );
    expect(placed.size).toBe(RECORD_FIELDS.length);
    for (const [at = '', , place, type] of ROWS) expect([place, type]).toEqual(placed.get(at));
  });
});
