import { createHash } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import fc from 'fast-check';
import { XmlDocument } from 'libxml2-wasm';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { SpectrumValues } from '../../src/checks/spectrum-values.js';
import { decodeFloats, littleEndianBytes } from '../../src/formats/float-array.js';
import { parseXmlTree } from '../../src/formats/xml-tree.js';
import { openXsdCheck, type XsdCheck } from '../../src/formats/xsd-validator.files.js';
import { readAniml } from '../../src/records/animl-reader.js';
import { animlFindings } from '../../src/records/animl-rules.js';
import {
  TECHNIQUE_SHA256,
  TECHNIQUE_URI,
  techniqueDefinition,
} from '../../src/records/animl-technique.js';
import { writeAniml } from '../../src/records/animl-writer.js';
import { arbitraryRecord } from '../records/arbitrary-record.js';
import { decimal, SAMPLE_RECORD, SAMPLE_VALUES, valuesDigest } from '../records/sample-record.js';
import { describeWithShared, repositoryRoot } from '../support/shared.js';

/**
 * AnIML core 0.90 as published. Sources: the two official draft schemas (shared/standards/xsd, see the
 * NOTICE there) and shared/standards/animl.md, whose byte examples and table of faults are used below.
 */
const TEXT = writeAniml(SAMPLE_RECORD, SAMPLE_VALUES);

function changed(from: string | RegExp, to: string | ((whole: string) => string)): string {
  const text = typeof to === 'string' ? TEXT.replace(from, to) : TEXT.replace(from, to);
  if (text === TEXT) throw new Error(`nothing to change: ${String(from)}`);
  return text;
}

function rulesBroken(text: string): readonly string[] {
  const parsed = parseXmlTree(Buffer.from(text));
  if (!parsed.ok) throw new Error(parsed.fault.message);
  return animlFindings(parsed.tree).map(({ rule, path, message }) => `${rule} ${path} ${message}`);
}

describeWithShared('AnIML documents against the official core schema', (shared) => {
  let core: XsdCheck;
  let technique: XsdCheck;

  beforeAll(async () => {
    const directory = join(shared, 'standards', 'xsd');
    core = await openXsdCheck(directory, 'animl-core.xsd');
    technique = await openXsdCheck(directory, 'animl-technique.xsd');
  });

  afterAll(() => {
    core.dispose();
    technique.dispose();
  });

  const faults = (text: string) => core.faults(Buffer.from(text));

  it('the sample record is valid, with and without spectrum values', () => {
    expect(faults(TEXT)).toEqual([]);
    expect(faults(writeAniml(SAMPLE_RECORD, null))).toEqual([]);
  });

  it('any record is valid and keeps the rules, whatever its texts hold', () => {
    fc.assert(
      fc.property(arbitraryRecord, ({ record, values }) => {
        const text = writeAniml(record, values);
        expect(faults(text)).toEqual([]);
        expect(rulesBroken(text)).toEqual([]);
      }),
      { numRuns: 150 },
    );
  });

  it('labels longer than a token may be are still valid and whole', () => {
    const scanned = '\u{1f6e2}'.repeat(1500);
    const record = { ...SAMPLE_RECORD, container: { scanned, entry: 'scanned' as const } };
    const text = writeAniml(record, SAMPLE_VALUES);
    expect(faults(text)).toEqual([]);
    expect(readAniml(Buffer.from(text))).toMatchObject({ ok: true, content: { record } });
  });

  it.each([
    [
      'a unit before its values',
      changed(/(<Parameter name="Laser Power"[^>]*>)(<D>80<\/D>)(<Unit.*?<\/Unit>)/, '$1$3$2'),
    ],
    [
      'a timestamp before the sample reference',
      changed(
        /(<SampleReferenceSet>.*<\/SampleReferenceSet>)(<Timestamp>.*?<\/Timestamp>)/,
        '$2$1',
      ),
    ],
    [
      'software before device',
      changed(/(<Device>.*?<\/Device>)(<Software>.*?<\/Software>)/, '$2$1'),
    ],
    [
      'a category before the series set',
      changed(
        /(<SeriesSet .*?<\/SeriesSet>)(<Category name="Spectrum Summary">.*?<\/Category>)/,
        '$2$1',
      ),
    ],
    [
      'the audit trail before the steps',
      changed(
        /(<ExperimentStepSet>.*<\/ExperimentStepSet>)(<AuditTrailEntrySet>.*<\/AuditTrailEntrySet>)/s,
        '$2$1',
      ),
    ],
    ['version 0.91', changed('version="0.90"', 'version="0.91"')],
    [
      'the series type Float of a technique definition',
      changed('seriesType="Float32"', 'seriesType="Float"'),
    ],
    ['an id that begins with a digit', changed('id="method"', 'id="1method"')],
    ['one id on two kinds of element', changed('id="method"', 'id="sample"')],
    [
      'an audit action outside the list',
      changed('<Action>converted</Action>', '<Action>delivered</Action>'),
    ],
    [
      'two kinds of value set in one series',
      changed(
        '<EncodedValueSet startIndex="0"',
        '<IndividualValueSet><F>1</F></IndividualValueSet><EncodedValueSet startIndex="0"',
      ),
    ],
    ['markup that is cut off', TEXT.slice(0, 900)],
  ])('%s is refused by the schema', (_name, text) => {
    expect(faults(text).length).toBeGreaterThan(0);
  });

  // The rows of the table in animl.md: what libxml2 lets pass and the project's own rules must not.
  it.each([
    [
      'two samples with one sampleID',
      changed(
        /<Sample (.*?)<\/Sample>/,
        (whole) => whole + whole.replace('id="sample"', 'id="s2"'),
      ),
      'unique-ids',
    ],
    [
      'a reference to a sample that is not there',
      changed('<SampleReference sampleID="DRUM 07"', '<SampleReference sampleID="DRUM 08"'),
      'references-resolve',
    ],
    [
      'two series with one seriesID',
      changed('seriesID="intensity"', 'seriesID="shift"'),
      'unique-ids',
    ],
    ['a length of 9 over four values', changed('length="4"', 'length="9"'), 'series-length'],
    [
      'an Int32 parameter that holds a text',
      changed('parameterType="Int64"><L>17</L>', 'parameterType="Int32"><S>seven</S>'),
      'value-type',
    ],
    [
      'an audit reference to an id that is not there',
      changed('<Reference>step</Reference>', '<Reference>gone</Reference>'),
      'audit-references',
    ],
  ] as [string, string, string][])(
    '%s passes the schema and breaks a rule',
    (_name, text, rule) => {
      expect(faults(text)).toEqual([]);
      const broken = rulesBroken(text);
      expect(broken.length).toBeGreaterThan(0);
      expect(broken.every((finding) => finding.startsWith(`${rule} /AnIML`))).toBe(true);
    },
  );

  it('the published sample passes the schema and the rules', () => {
    const sample = readFileSync(join(shared, 'standards', 'samples', 'raman-minimal.animl'));
    expect(core.faults(sample)).toEqual([]);
    expect(rulesBroken(sample.toString('utf8'))).toEqual([]);
  });

  it('the technique definition is valid and has the digest that documents carry', () => {
    const file = readFileSync(join(repositoryRoot(), 'schemas', 'raman-identity.atdd'));
    expect(technique.faults(file)).toEqual([]);
    expect(createHash('sha256').update(file).digest('hex')).toBe(TECHNIQUE_SHA256);
    expect(TEXT).toContain(`uri="${TECHNIQUE_URI}" sha256="${TECHNIQUE_SHA256}"`);
  });

  it('a core series type is refused in the technique definition', () => {
    const text = techniqueDefinition().replace('seriesType="Float"', 'seriesType="Float64"');
    expect(technique.faults(Buffer.from(text)).length).toBeGreaterThan(0);
  });

  it('without the catalogue the core schema does not compile: nothing is fetched silently', async () => {
    const { mkdtemp, copyFile, rm } = await import('node:fs/promises');
    const { tmpdir } = await import('node:os');
    const directory = await mkdtemp(join(tmpdir(), 'drumline-xsd-'));
    try {
      const name = 'animl-core.xsd';
      await copyFile(join(shared, 'standards', 'xsd', name), join(directory, name));
      await expect(openXsdCheck(directory, name)).rejects.toThrow();
    } finally {
      await rm(directory, { recursive: true });
    }
  });

  it('every parameter of a document is defined by the technique, under its category', () => {
    const defined = parameterNames(
      techniqueDefinition(),
      'CategoryBlueprint',
      'ParameterBlueprint',
    );
    const used = parameterNames(TEXT, 'Category', 'Parameter');
    expect(used.size).toBeGreaterThan(45);
    expect([...used].filter((name) => !defined.has(name))).toEqual([]);
  });
});

describe('an independent parser (libxml2, XPath)', () => {
  const namespaces = { a: 'urn:org:astm:animl:schema:core:draft:0.90' };
  const text = (xpath: string, document = TEXT): string | undefined => {
    const parsed = XmlDocument.fromString(document);
    try {
      return parsed.get(xpath, namespaces)?.content;
    } finally {
      parsed.dispose();
    }
  };
  const parameter = (name: string) => `//a:Parameter[@name="${name}"]/*[1]`;

  it.each([
    [parameter('Decision'), 'pass'],
    [parameter('Score'), '0.9870'],
    [parameter('Threshold'), '0.90'],
    [parameter('Algorithm'), 'squared-correlation'],
    [parameter('Recheck Answer'), 'agrees'],
    [parameter('Container Label'), 'DRUM  07 '],
    [parameter('Between'), 'polyethylene liner < 0.1 mm & tape'],
    [parameter('Text'), 'lid dented,\n"taped"'],
    [parameter('Integration Time'), '2500.0'],
    ['//a:Parameter[@name="Integration Time"]/a:Unit/@label', 'ms'],
    [parameter('Excitation Wavelength'), '785.0'],
    ['//a:Sample/@barcode', 'DRUM 07'],
    ['//a:SampleReference/@sampleID', 'DRUM 07'],
    ['//a:Sample/a:TagSet/a:Tag[@name="receipt"]/@value', 'GR-2041/10'],
    ['//a:Infrastructure/a:Timestamp', '2026-03-04T09:15:30.250+01:00'],
    ['//a:Device/a:SerialNumber', 'NQ-R-0001'],
    ['//a:StartValue/a:D', '200.0'],
    ['//a:Increment/a:D', '1.50'],
    ['//a:EncodedValueSet', 'AABIQQAAgL8AUHpEAAAgPg=='],
    ['//a:Series[@name="Raman Shift"]/a:Unit/@label', '1/cm'],
    ['//a:ExperimentStep/a:TagSet/a:Tag[@name="origin"]/@value', 'simulated'],
    ['//a:AuditTrailEntry[a:Action="converted"]/a:Timestamp', '2026-03-04T08:20:00.000000Z'],
  ])('finds %s', (xpath, expected) => {
    expect(text(xpath)).toBe(expected);
  });

  it('finds the JSON form of a label that XML cannot hold', () => {
    const container = { scanned: ']d2\u001d0104\u0000', entry: 'scanned' as const };
    const document = writeAniml({ ...SAMPLE_RECORD, container }, SAMPLE_VALUES);
    expect(text(parameter('Container Label'), document)).toBe('json:"]d2\\u001d0104\\u0000"');
    expect(text('//a:Sample/@barcode', document)).toBe(']d2\ufffd0104\ufffd');
  });
});

describe('encoded values', () => {
  // Worked bytes of animl.md, section "Series value sets".
  it.each([
    ['float32', [12.5, -1, 1001.25, 0.15625], 'AABIQQAAgL8AUHpEAAAgPg=='],
    ['float64', [200, 201.5, 203, 204.5], 'AAAAAAAAaUAAAAAAADBpQAAAAAAAYGlAAAAAAACQaUA='],
    ['float32', [1], 'AACAPw=='],
    ['float64', [1], 'AAAAAAAA8D8='],
  ] as const)('%s %j is %s, both ways', (width, numbers, base64) => {
    const values = width === 'float32' ? Float32Array.from(numbers) : Float64Array.from(numbers);
    expect(littleEndianBytes(values).toString('base64')).toBe(base64);
    expect(decodeFloats(base64, width, numbers.length)).toEqual({ ok: true, values });
    const document = writeAniml(...withIntensity(values));
    expect(document).toContain(`>${base64}</EncodedValueSet>`);
    const read = readAniml(Buffer.from(document));
    expect(read).toMatchObject({ ok: true, content: { values: { intensity: values } } });
  });

  it.each([
    ['a byte count that is no multiple of the width', 'AACAPwA='],
    ['text that is not base64', 'AACA*w=='],
    ['padding that is missing', 'AACAPw'],
  ])('refuses %s', (_name, base64) => {
    const text = writeAniml(...withIntensity(Float32Array.of(1))).replace('AACAPw==', base64);
    expect(rulesBroken(text)).toHaveLength(1);
    expect(rulesBroken(text)[0]).toMatch(/^series-length .*EncodedValueSet/);
  });
});

describe('auto-incremented axes', () => {
  it('200 + 1.5 i gives 200, 201.5, 203, 204.5 exactly', () => {
    const read = readAniml(Buffer.from(TEXT));
    expect(read.ok && [...(read.content.values?.axis ?? [])]).toEqual([200, 201.5, 203, 204.5]);
  });

  it('a 0.1 step of 3000 points ends at start + 2999 x 0.1 to the last bit of one multiplication', () => {
    const axis = Float64Array.from({ length: 3000 }, (_, index) => 200 + index * 0.1);
    const even = { start: decimal('200'), step: decimal('0.1') };
    const intensity = new Float32Array(3000);
    const values: SpectrumValues = { axis, intensity, even, intensityUnit: 'counts' };
    const read = readAniml(Buffer.from(writeAniml(recordFor(values), values)));
    expect(read.ok && read.content.values?.axis.at(-1)).toBe(200 + 2999 * 0.1);
  });
});

describeWithShared('AnIML documents of others (shared/data/animl)', (shared) => {
  const broken = (name: string) =>
    rulesBroken(readFileSync(join(shared, 'data', 'animl', name), 'utf8'));

  it('a valid one that uses one seriesID three times breaks that rule twice and no other', () => {
    const findings = broken('microplate_valid.animl');
    expect(findings).toHaveLength(2);
    expect(findings.every((finding) => finding.startsWith('unique-ids'))).toBe(true);
    expect(findings[0]).toContain('"absorbance" is already the seriesID');
  });

  it('a hand-made one without lengths and types is named for each', () => {
    const findings = broken('microplate_example.animl').join('\n');
    expect(findings).toContain('its set declares no length');
    expect(findings).toContain('"" is no AnIML value type');
  });
});

function withIntensity(
  intensity: Float32Array | Float64Array,
): [typeof SAMPLE_RECORD, SpectrumValues] {
  const axis = Float64Array.from(intensity, (_, index) => 200 + index * 1.5);
  const values = { ...SAMPLE_VALUES, axis, intensity };
  return [recordFor(values), values];
}

function recordFor(values: SpectrumValues): typeof SAMPLE_RECORD {
  const { spectrum } = SAMPLE_RECORD;
  if (spectrum === null) throw new Error('the sample record has a spectrum');
  const intensityWidth = values.intensity instanceof Float32Array ? 'float32' : 'float64';
  const points = values.axis.length;
  return {
    ...SAMPLE_RECORD,
    spectrum: { ...spectrum, points, intensityWidth, sha256: valuesDigest(values) },
  };
}

/** `Category/Parameter` names of a document, nesting left aside. */
function parameterNames(document: string, category: string, parameter: string): Set<string> {
  const names = new Set<string>();
  let current = '';
  const pattern = new RegExp(`<(${category}|${parameter}) name="([^"]*)"`, 'g');
  for (const [, element, name] of document.matchAll(pattern)) {
    if (element === category) current = name ?? '';
    else names.add(`${current}/${name}`);
  }
  return names;
}
