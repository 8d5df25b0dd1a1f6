import { describe, expect, it } from 'vitest';
import { readAniml } from '../../src/records/animl-reader.js';
import { writeAniml } from '../../src/records/animl-writer.js';
import { SAMPLE_RECORD, SAMPLE_VALUES } from './sample-record.js';

const TEXT = writeAniml(SAMPLE_RECORD, SAMPLE_VALUES);

function faults(text: string): string {
  const read = readAniml(Buffer.from(text, 'utf8'));
  if (read.ok) throw new Error('the document was read');
  return read.faults.map((fault) => `${fault.path}: ${fault.message}`).join('\n');
}

function changed(from: string | RegExp, to: string | ((whole: string) => string)): string {
  const text = typeof to === 'string' ? TEXT.replace(from, to) : TEXT.replace(from, to);
  if (text === TEXT) throw new Error(`nothing to change: ${String(from)}`);
  return text;
}

describe('readAniml', () => {
  it.each([
    ['another root', changed(/AnIML/g, 'Other'), 'expected the root element AnIML'],
    [
      'another version',
      changed('version="0.90"', 'version="0.91"'),
      '/AnIML/@version: expected 0.90, found 0.91',
    ],
    ['another namespace', changed('core:draft:0.90', 'core:draft:0.91'), '/AnIML/@xmlns'],
    [
      'another number of points in the summary',
      changed(/(name="Points" parameterType="Int64"><L>)4</, (whole) => whole.replace('4<', '5<')),
      'expected 5, even, float32 (points, axis, intensity), found 4, even, float32',
    ],
    [
      'another width in the summary',
      changed(/<S>float32<\/S>/, '<S>float64</S>'),
      'expected 4, even, float64 (points, axis, intensity), found 4, even, float32',
    ],
    [
      'a missing parameter',
      changed(/<Parameter name="Decision".*?<\/Parameter>/, ''),
      '[Decision]: expected a value',
    ],
    [
      'a doubled parameter',
      changed(/(<Parameter name="Decision".*?<\/Parameter>)/, '$1$1'),
      'expected one Parameter Decision, found 2',
    ],
    [
      'a decision outside the vocabulary',
      changed('<S>pass</S>', '<S>Pass</S>'),
      'expected one of pass, fail',
    ],
    [
      'a score that is no decimal',
      changed('<D>0.9870</D>', '<D>9.87E-1</D>'),
      '[Score]: expected a plain decimal',
    ],
    [
      'a run number that is no whole number',
      changed('<L>17</L>', '<L>+17</L>'),
      '[Run Number]: expected a whole number',
    ],
    [
      'a boolean in another form',
      changed('<Boolean>true</Boolean>', '<Boolean>1</Boolean>'),
      'expected true or false',
    ],
    [
      'a time without offset',
      changed('T09:15:30.250+01:00</DateTime>', 'T09:15:30.250</DateTime>'),
      '[Measured At]: expected an RFC 3339',
    ],
    [
      'a digest in capitals',
      changed(/<S>a{64}<\/S>/, `<S>${'A'.repeat(64)}</S>`),
      '64 lower-case hex',
    ],
    [
      'a marked text that is no JSON',
      changed('<S>NQ-1001</S>', '<S>json:"\\x"</S>'),
      'expected a JSON string after json:',
    ],
    [
      'candidates out of rank',
      changed(
        '<L>1</L></Parameter><Parameter name="Material Code"',
        '<L>2</L></Parameter><Parameter name="Material Code"',
      ),
      'expected rank 1, found 2',
    ],
    [
      'a text under another type',
      changed(
        'parameterType="Float64"><D>0.9870</D></Parameter><Parameter name="Threshold"',
        'parameterType="String"><S>0.9870</S></Parameter><Parameter name="Threshold"',
      ),
      '/@parameterType: expected Float64, found String',
    ],
    [
      'one changed bit of the spectrum',
      changed('AABIQQ', 'AABIQg'),
      'expected values with SHA-256',
    ],
    [
      'a changed step of the axis',
      changed('<Increment><D>1.50</D>', '<Increment><D>1.51</D>'),
      'expected values with SHA-256',
    ],
    [
      'two samples',
      changed(
        /(<Sample .*<\/Sample>)/,
        (whole) =>
          whole +
          whole.replace('id="sample"', 'id="s2"').replace(/sampleID="[^"]*"/, 'sampleID="other"'),
      ),
      'expected one Sample, found 2',
    ],
    [
      'a rule the schema leaves open',
      changed('<Reference>step</Reference>', '<Reference>gone</Reference>'),
      'expected the id of an element',
    ],
    ['a DOCTYPE', TEXT.replace('\n<AnIML', '\n<!DOCTYPE AnIML><AnIML'), 'DOCTYPE'],
    ['markup that is cut off', TEXT.slice(0, 400), 'malformed'],
  ] as [string, string, string][])('refuses %s and names the place', (_name, text, expected) => {
    expect(faults(text)).toContain(expected);
  });

  it('reports every faulty field at once', () => {
    const text = TEXT.replace('<S>pass</S>', '<S>ok</S>').replace('<D>0.9870</D>', '<D>x</D>');
    expect(faults(text).split('\n')).toHaveLength(2);
  });

  it('reads a document whose base64 was wrapped and whose layout was changed', () => {
    const text = TEXT.replace('AABIQQAAgL8A', 'AABIQQAA\n  gL8A').replaceAll(
      '><Category',
      '>\n  <Category',
    );
    expect(readAniml(Buffer.from(text))).toMatchObject({
      ok: true,
      content: { record: SAMPLE_RECORD },
    });
  });

  it('bounds the size of what it reads', () => {
    const read = readAniml(Buffer.from(TEXT), { bytesMax: 1000, depthMax: 64, nodesMax: 1000 });
    expect(read).toMatchObject({
      ok: false,
      faults: [{ message: expect.stringContaining('1000 bytes') }],
    });
  });
});
