import { describe, expect, it } from 'vitest';
import { parseXmlTree } from '../../src/formats/xml-tree.js';
import { animlRoot } from '../../src/records/animl-nodes.js';
import { techniqueFindings } from '../../src/records/animl-technique-check.js';
import { writeAniml } from '../../src/records/animl-writer.js';
import { SAMPLE_RECORD, SAMPLE_VALUES } from './sample-record.js';

const DOCUMENT = writeAniml(
  { ...SAMPLE_RECORD, supersedes: { resultId: 'NQ-R-0001:1:16', reason: 'lid was on' } },
  SAMPLE_VALUES,
);

function findings(text: string) {
  const parsed = parseXmlTree(Buffer.from(text));
  if (!parsed.ok) throw new Error(parsed.fault.message);
  const root = animlRoot(parsed.tree);
  if (root === null) throw new Error('no root');
  return techniqueFindings(root);
}

function broken(from: string | RegExp, to: string) {
  const text = DOCUMENT.replace(from, to);
  expect(text).not.toBe(DOCUMENT);
  return findings(text);
}

describe('a document against our technique definition', () => {
  it('of the writer has no finding, with and without spectrum and lists', () => {
    expect(findings(DOCUMENT)).toEqual([]);
    const bare = {
      ...SAMPLE_RECORD,
      ...{ receipt: null, container: null, score: null, spectrum: null, material: null, lot: null },
      ...{ candidates: [], remarks: [], findings: [], acquisition: {} },
    };
    expect(findings(writeAniml(bare, null))).toEqual([]);
  });

  it('is not compared when no step names the technique', () => {
    expect(
      findings(
        DOCUMENT.replace('<Technique name="Raman Identity Test"', '<Technique name="Raman"'),
      ),
    ).toBeNull();
  });

  it.each([
    [
      'a category without a name of the definition',
      '<Category name="Instrument">',
      '<Category name="Device">',
      [
        'the technique defines no Category "Device" here',
        'expected Category Instrument, found none',
      ],
    ],
    [
      'a parameter without a name of the definition',
      '<Parameter name="Model"',
      '<Parameter name="Kind"',
      ['the technique defines no Parameter "Kind" here', 'expected Parameter Model, found none'],
    ],
    [
      'a required parameter that is missing',
      /<Parameter name="Decision".*?<\/Parameter>/,
      '',
      ['expected Parameter Decision, found none'],
    ],
    [
      'a parameter that stands twice',
      /(<Parameter name="Decision".*?<\/Parameter>)/,
      '$1$1',
      ['expected one Parameter Decision, found 2'],
    ],
    [
      'a value of another type',
      /(<Parameter name="Epoch" parameterType=")Int64"><L>(\d+)<\/L>/,
      '$1String"><S>$2</S>',
      ['expected the type Int32 or Int64, found "String"'],
    ],
    [
      'a value outside its vocabulary',
      '<S>pass</S>',
      '<S>good</S>',
      [expect.stringMatching(/^expected one of pass, .*, found "good"$/)],
    ],
    ['another unit', '<Unit label="mW"', '<Unit label="W"', ['expected the unit mW, found "W"']],
    [
      'a unit that is missing',
      /(<Parameter name="Laser Power".*?<\/D>)<Unit.*?<\/Unit>/,
      '$1',
      ['expected the unit mW, found none'],
    ],
    [
      'a unit where none is defined',
      /(<Parameter name="Accumulations".*?<\/L>)/,
      '$1<Unit label="1"/>',
      ['expected no unit, found "1"'],
    ],
    [
      'another series',
      '<Series name="Intensity"',
      '<Series name="Counts"',
      ['the technique defines no Series "Counts" here', 'expected Series Intensity, found none'],
    ],
    [
      'a series of another dependency',
      'name="Intensity" dependency="dependent"',
      'name="Intensity" dependency="independent"',
      ['expected dependency dependent, found "independent"'],
    ],
    [
      'another role of the sample',
      'role="Tested Container"',
      'role="Reference"',
      [
        'expected one sample of the role Tested Container, found the role "Reference"',
        'expected SampleReference of the role Tested Container, found none',
      ],
    ],
    [
      'another purpose of the sample',
      'samplePurpose="consumed"',
      'samplePurpose="produced"',
      ['expected samplePurpose consumed, found "produced"'],
    ],
    [
      'a result that is missing',
      /<Result name="Provenance".*?<\/Result>/,
      '',
      ['expected Result Provenance, found none'],
    ],
    [
      'a result without a name of the definition',
      '<Result name="Identity"',
      '<Result name="Verdict"',
      ['the technique defines no Result "Verdict" here', 'expected Result Identity, found none'],
    ],
    [
      'a candidate without rank',
      /<Parameter name="Rank".*?<\/Parameter>/,
      '',
      ['expected Parameter Rank, found none'],
    ],
    [
      'another item in a list',
      '<Category name="Remark">',
      '<Category name="Note">',
      ['the technique defines no Category "Note" here'],
    ],
    [
      'a finding of another name',
      '<Parameter name="Finding"',
      '<Parameter name="Code"',
      ['the technique defines no Parameter "Code" here'],
    ],
  ])('is told of %s, with its place', (_what, from, to, messages) => {
    const found = broken(from, to);
    expect(found?.map(({ message }) => message)).toEqual(messages);
    for (const { path } of found ?? []) expect(path).toMatch(/^\/AnIML\//);
  });
});
