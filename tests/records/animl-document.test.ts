import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { readAnimlDocument, readOpenAniml } from '../../src/records/animl-document.js';
import { writeAniml } from '../../src/records/animl-writer.js';
import { describeWithShared } from '../support/shared.js';
import { SAMPLE_RECORD, SAMPLE_VALUES } from './sample-record.js';

const bytes = (text: string) => Buffer.from(text, 'utf8');
const UNIT = '<Unit label="1/cm" quantity="Wavenumber"/>';

function document(
  axis: string,
  intensity: string,
  root = '<AnIML version="0.90">',
  length = 'length="4"',
) {
  return `${root}<ExperimentStepSet><ExperimentStep name="a step" experimentStepID="s"><Result name="r"><SeriesSet name="set" ${length}><Series name="x" dependency="independent" seriesID="x" seriesType="Float64">${axis}${UNIT}</Series><Series name="y" dependency="dependent" seriesID="y" seriesType="Float32">${intensity}</Series></SeriesSet></Result></ExperimentStep></ExperimentStepSet></AnIML>`;
}

const AUTO =
  '<AutoIncrementedValueSet><StartValue><D>200</D></StartValue><Increment><D>1.5</D></Increment></AutoIncrementedValueSet>';
/** Worked bytes of the AnIML schema's little-endian packing: 12.5, -1, 1001.25, 0.15625 as Float32. */
const ENCODED = '<EncodedValueSet>AABIQQAAgL8A\n  UHpEAAAgPg==</EncodedValueSet>';
const SINGLE =
  '<IndividualValueSet><F>12.5</F><F>-1</F><F>1001.25</F><F>0.15625</F></IndividualValueSet>';

function spectrum(text: string) {
  const read = readOpenAniml(bytes(text));
  if (!read.ok) throw new Error(`${read.fault.at}: ${read.fault.message}`);
  return read.spectra[0];
}

describe('an AnIML document that somebody else wrote', () => {
  it.each([
    ['encoded values', document(AUTO, ENCODED)],
    ['individual values', document(AUTO, SINGLE)],
    ['individual values and no length', document(AUTO, SINGLE, '<AnIML version="0.90">', '')],
    [
      'two sets one behind the other',
      document(
        AUTO,
        '<IndividualValueSet startIndex="2" endIndex="3"><F>1001.25</F><F>0.15625</F></IndividualValueSet><IndividualValueSet startIndex="0" endIndex="1"><F>12.5</F><F>-1</F></IndividualValueSet>',
      ),
    ],
    [
      'a namespace of its own prefix',
      document(
        AUTO,
        SINGLE,
        '<a:AnIML xmlns:a="urn:org:astm:animl:schema:core:draft:0.90" version="0.90">',
      )
        .replace(/<(\/?)(?=[A-Z])/g, '<$1a:')
        .replace('<a:a:', '<a:'),
    ],
  ])('gives its spectrum from %s', (_what, text) => {
    const found = spectrum(text);
    expect([...(found?.axis ?? [])]).toEqual([200, 201.5, 203, 204.5]);
    expect(found?.intensity).toEqual(Float32Array.of(12.5, -1, 1001.25, 0.15625));
    expect(found?.title).toBe('a step');
  });

  it('gives a spectrum for every dependent series of a set, under their names', () => {
    const other = `<Series name="dark" dependency="dependent" seriesID="d" seriesType="Float32">${SINGLE}</Series>`;
    const read = readOpenAniml(
      bytes(document(AUTO, SINGLE).replace('</SeriesSet>', `${other}</SeriesSet>`)),
    );
    expect(read.ok && read.spectra.map(({ title }) => title)).toEqual([
      'a step, y',
      'a step, dark',
    ]);
  });

  it('gives every text of a name that stands twice', () => {
    const twice = ['a', 'b']
      .map((s) => `<Parameter name="Lot" parameterType="String"><S>${s}</S></Parameter>`)
      .join('');
    const text = document(AUTO, SINGLE).replace(
      '</SeriesSet>',
      `</SeriesSet><Category name="c">${twice}</Category>`,
    );
    expect(spectrum(text)?.notes).toEqual([{ name: 'c / Lot', text: 'a\nb' }]);
  });

  it('is read or refused, whatever the number of values in one set', () => {
    const values = 150_000;
    const many = `<IndividualValueSet>${'<D>1</D>'.repeat(values)}</IndividualValueSet>`;
    const of = (type: string) =>
      document(AUTO, many, '<AnIML>', `length="${values}"`).replace('Float32', type);
    const read = readAnimlDocument(bytes(of('Float64')));
    expect(read.ok && read.document.steps[0]?.sets[0]?.series[1]?.values).toHaveLength(values);
    expect(readAnimlDocument(bytes(of('Int32')))).toMatchObject({
      ok: false,
      fault: { message: 'expected I, found D' },
    });
  });

  it('gives the spectrum of ours too', () => {
    const found = spectrum(writeAniml(SAMPLE_RECORD, SAMPLE_VALUES));
    expect([...(found?.axis ?? [])]).toEqual([...SAMPLE_VALUES.axis]);
    expect(found?.notes).toContainEqual({ name: 'Verdict / Decision', text: 'pass' });
  });

  it.each([
    ['another root', '<Other/>', '', 'root element AnIML'],
    ['another version', '<AnIML version="0.91"/>', '/AnIML/@version', 'found 0.91'],
    [
      'another namespace',
      '<AnIML xmlns="urn:org:astm:animl:schema:core:draft:0.37"/>',
      '/AnIML/@xmlns',
      'draft:0.37',
    ],
    ['a DOCTYPE', '<!DOCTYPE a [<!ENTITY b "c">]><AnIML/>', '', 'DOCTYPE'],
    [
      'too few values',
      document(AUTO, SINGLE.replace('<F>-1</F>', '')),
      'Series[2]',
      'expected 4 values',
    ],
    [
      'a word among numbers',
      document(AUTO, SINGLE.replace('-1', 'one')),
      'F[2]',
      'a finite number',
    ],
    [
      'a whole number that a double does not hold',
      document(AUTO, SINGLE.replaceAll('F>', 'L>').replace('-1', '9007199254740993'))
        .replace('Float32', 'Int64')
        .replace(/<L>[^<]*\.[^<]*<\/L>/g, '<L>1</L>'),
      'L[2]',
      'a whole number that a double holds, found "9007199254740993"',
    ],
    [
      'a fraction of a whole number',
      document(AUTO, SINGLE.replaceAll('F>', 'I>')).replace('Float32', 'Int32'),
      'I[1]',
      'a whole number that a double holds, found "12.5"',
    ],
    ['NaN', document(AUTO, SINGLE.replace('-1', 'NaN')), 'F[2]', 'a finite number'],
    [
      'half a value',
      document(AUTO, ENCODED.replace('AAAgPg==', 'AAA=')),
      'EncodedValueSet',
      'multiple of 4',
    ],
    [
      'a length that no document fills',
      document(AUTO, SINGLE, '<AnIML>', 'length="999999999"'),
      'SeriesSet',
      'at most 4000000 values',
    ],
    [
      'an end that no document fills',
      document(
        AUTO.replace('<AutoIncrementedValueSet', '$& startIndex="0" endIndex="999999999"'),
        SINGLE,
      ),
      '@endIndex',
      '',
    ],
    [
      'an index covered twice',
      document(
        AUTO,
        `${SINGLE.replace('Set>', 'Set startIndex="0">')}${SINGLE.replace('Set>', 'Set startIndex="1">')}`,
      ),
      'IndividualValueSet[2]',
      'expected a set from index 4',
    ],
    ['no spectrum', '<AnIML/>', '/AnIML', 'independent series in 1/cm'],
    [
      'an axis that turns',
      document('<IndividualValueSet><D>1</D><D>2</D><D>2</D><D>3</D></IndividualValueSet>', SINGLE),
      'SeriesSet',
      'runs one way',
    ],
  ])('is refused with its place: %s', (_what, text, at, message) => {
    const read = readOpenAniml(bytes(text));
    if (read.ok) throw new Error('it was read');
    expect(read.fault.message).toContain(message);
    expect(read.fault.at).toContain(at === '@endIndex' ? 'AutoIncrementedValueSet' : at);
  });
});

describeWithShared('published AnIML documents (MIT, see the README beside them)', (shared) => {
  const read = (name: string) => readAnimlDocument(readFileSync(join(shared, 'data/animl', name)));

  it('without a namespace are read, and what they lack is named', () => {
    const found = read('microplate_example.animl');
    if (!found.ok) throw new Error(`${found.fault.at}: ${found.fault.message}`);
    const [step] = found.document.steps;
    expect(found.document.samples).toEqual([{ id: 'S1', name: 'Sample1' }]);
    expect(step?.parameters).toContainEqual({
      name: 'Device Setup / Program',
      text: 'Full power!',
      unit: null,
    });
    expect(
      step?.sets[0]?.series.map(({ values }) => [...values].map((v) => Number(v).toFixed(1))),
    ).toEqual([
      ['1.2', '2.4', '5.6'],
      ['20.2', '22.4', '53.6'],
    ]);
    expect(found.document.findings.length).toBeGreaterThan(0);
  });

  it('with the namespace are read', () => {
    const found = read('microplate_valid.animl');
    if (!found.ok) throw new Error(`${found.fault.at}: ${found.fault.message}`);
    const [set] = found.document.steps[0]?.sets ?? [];
    expect(set?.series.map(({ name }) => name)).toEqual(['Value', 'Measurement Delay']);
    expect(set?.series[0]?.values).toEqual(Float32Array.of(0.0996, 0.2146, 0.1679, 0.1395));
  });

  it('are no Raman spectra, and are refused as such', () => {
    const bytesOf = readFileSync(join(shared, 'data/animl/microplate_valid.animl'));
    expect(readOpenAniml(bytesOf)).toMatchObject({ ok: false });
  });
});
