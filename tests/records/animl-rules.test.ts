import { describe, expect, it } from 'vitest';
import { parseXmlTree } from '../../src/formats/xml-tree.js';
import { animlFindings } from '../../src/records/animl-rules.js';
import { writeAniml } from '../../src/records/animl-writer.js';
import { SAMPLE_RECORD, SAMPLE_VALUES } from './sample-record.js';

const TEXT = writeAniml(SAMPLE_RECORD, SAMPLE_VALUES);

function rulesBroken(text: string): readonly string[] {
  const parsed = parseXmlTree(Buffer.from(text));
  if (!parsed.ok) throw new Error(parsed.fault.message);
  return animlFindings(parsed.tree).map(({ rule, path, message }) => `${rule} ${path} ${message}`);
}

describe('series that follow one another', () => {
  const series = (sets: string, length = 4) =>
    `<AnIML xmlns="urn:org:astm:animl:schema:core:draft:0.90" version="0.90"><ExperimentStepSet><ExperimentStep name="e" experimentStepID="e"><Result name="r"><SeriesSet name="s" length="${length}"><Series name="x" dependency="dependent" seriesID="x" seriesType="Float32">${sets}</Series></SeriesSet></Result></ExperimentStep></ExperimentStepSet></AnIML>`;
  const single = (from: number, to: number) =>
    `<IndividualValueSet startIndex="${from}" endIndex="${to}">${'<F>1</F>'.repeat(to - from + 1)}</IndividualValueSet>`;

  it('are accepted in chunks, with and without indices', () => {
    expect(rulesBroken(series(single(0, 1) + single(2, 3)))).toEqual([]);
    expect(rulesBroken(series(single(2, 3) + single(0, 1)))).toEqual([]);
    const bare = '<IndividualValueSet><F>1</F><F>2</F></IndividualValueSet>';
    expect(rulesBroken(series(bare + bare))).toEqual([]);
    const even =
      '<AutoIncrementedValueSet><StartValue><F>1</F></StartValue><Increment><F>1</F></Increment></AutoIncrementedValueSet>';
    expect(rulesBroken(series(even))).toEqual([]);
  });

  it.each([
    ['an overlap', single(0, 2) + single(2, 3), 'covered twice'],
    ['a gap', single(0, 0) + single(2, 3), 'index 1'],
    ['too few', single(0, 2), 'expected 4 values'],
    ['other indices than values', single(0, 3).replace('endIndex="3"', 'endIndex="2"'), 'found 4'],
    ['a value of another type', single(0, 3).replace('<F>1</F>', '<D>1</D>'), 'expected F'],
  ])('are refused with %s', (_name, sets, message) => {
    const broken = rulesBroken(series(sets));
    expect(broken).toHaveLength(1);
    expect(broken[0]).toContain(message);
  });

  it('INF and NaN stand in single values as xsd:float writes them', () => {
    const odd = single(0, 3).replace('<F>1</F><F>1</F>', '<F>INF</F><F>NaN</F>');
    expect(rulesBroken(series(odd))).toEqual([]);
  });
});

describe('the rules on documents of others', () => {
  it('do not take the Reference elements of a signature for audit references', () => {
    const signature =
      '<SignatureSet><Signature><ds:SignedInfo xmlns:ds="http://www.w3.org/2000/09/xmldsig#"><ds:Reference URI="#step"/></ds:SignedInfo></Signature></SignatureSet>';
    expect(rulesBroken(TEXT.replace('</AnIML>', `${signature}</AnIML>`))).toEqual([]);
  });

  it('look through a namespace prefix', () => {
    const text = TEXT.replace('<Reference>step</Reference>', '<Reference>gone</Reference>');
    const prefixed = text.replace(/<(\/?)([A-Z])/g, '<$1x:$2').replace('xmlns=', 'xmlns:x=');
    expect(rulesBroken(prefixed)).toHaveLength(1);
  });
});
