import fc from 'fast-check';
import { XmlDocument } from 'libxml2-wasm';
import { describe, expect, it } from 'vitest';
import { needsPool } from '../../src/mapping/contract.js';
import { readPermits } from '../../src/mapping/permit-reading.js';
import { sampleResult, sampleStatement, sampleStop } from '../../src/mapping/sample-subjects.js';
import type { StatementRecord } from '../../src/records/statement-record.js';
import {
  build,
  compiled,
  mappingWith,
  payloadText,
  poolForFile,
  problemCodes,
} from '../support/mapping-bench.js';
import { replacing } from '../support/site-edits.js';

const pool = poolForFile();
const lims = compiled(mappingWith('lims'));
const erp = compiled(mappingWith('erp'));

/** Text of one element as an outside parser (libxml2) reads it. */
function xmlText(xml: string, path: string): string | undefined {
  const document = XmlDocument.fromString(xml);
  try {
    return document.get(path)?.content;
  } finally {
    document.dispose();
  }
}

const IDENTIFIERS = [
  '000123',
  'lot-A',
  'LOT-a',
  '1.50',
  '1e5',
  '12345678901234567890123456789',
  'Größe-東京-Ω',
  'e\u0301',
  'a<b>&"c\'',
  ' padded ',
  'tab\there',
  'line\nbreak',
  'car\rriage',
  ']]>',
  '😀',
  'x'.repeat(199),
];

describe('identifiers', () => {
  it.each(IDENTIFIERS)('arrive exactly in JSON: %j', async (lot) => {
    const text = await payloadText(pool, lims, sampleResult({ lot }));
    expect((JSON.parse(text) as { lot: string }).lot).toBe(lot);
  });

  it.each(IDENTIFIERS)('arrive exactly in XML, as libxml2 reads it: %j', async (lot) => {
    const text = await payloadText(pool, erp, sampleResult({ lot }));
    expect(xmlText(text, '/IdentityMessage/Body/Lot')).toBe(lot);
  });

  it('arrive exactly in XML whatever they hold, or are refused by name', async () => {
    await fc.assert(
      fc.asyncProperty(fc.string({ unit: 'binary', minLength: 1, maxLength: 60 }), async (lot) => {
        const problems = await problemCodes(pool, erp, sampleResult({ lot }));
        // XML 1.0, production 2 (Char): what is outside cannot be written in any form.
        // biome-ignore lint/suspicious/noControlCharactersInRegex: these are the characters meant
        if (/[\u0000-\u0008\u000b\u000c\u000e-\u001f\ufffe\uffff]/.test(lot)) {
          expect(problems).toEqual(['lossy-character']);
        } else {
          const text = await payloadText(pool, erp, sampleResult({ lot }));
          expect(xmlText(text, '/IdentityMessage/Body/Lot')).toBe(lot);
        }
      }),
      { numRuns: 200 },
    );
  });
});

describe('payloads', () => {
  it('are byte for byte the same every time', async () => {
    expect(await payloadText(pool, lims, sampleResult())).toBe(
      await payloadText(pool, lims, sampleResult()),
    );
  });

  it('keep the digits of a score and round the copy that is to be rounded', async () => {
    const score = { algorithm: 'squared-correlation', value: '0.9650', threshold: '0.90' };
    const text = await payloadText(pool, lims, sampleResult({ score: score as never }));
    expect(JSON.parse(text)).toMatchObject({
      score: '0.9650',
      scoreRounded: '0.96',
      threshold: '0.90',
    });
  });

  it('leave out what an optional field has no value for', async () => {
    const bare = sampleResult({ lot: null, container: null, score: null, supersedes: null });
    const document = JSON.parse(await payloadText(pool, lims, bare)) as object;
    for (const name of ['lot', 'container', 'containerEntry', 'score', 'threshold', 'replaces']) {
      expect(document).not.toHaveProperty(name);
    }
    expect(await payloadText(pool, erp, bare)).not.toContain('<Lot');
  });

  it('name message, field and expression of every problem at once', async () => {
    const source = mappingWith('lims', {
      'lims.mapping.yaml': (text) =>
        replacing(
          'from: record.place',
          "from: '$number(record.place)'",
        )(replacing('maxLength: 80', 'maxLength: 3')(text)),
    });
    const outcome = await build(pool, compiled(source), sampleResult({ decision: 'aborted' }));
    expect(outcome.ok ? [] : outcome.problems).toMatchObject([
      {
        code: 'too-long',
        message: 'result',
        field: '/container',
        expression: 'record.container.scanned',
      },
      {
        code: 'expression-failed',
        message: 'result',
        field: '/place',
        expression: '$number(record.place)',
      },
    ]);
  });

  it('fail their contract by name instead of being sent', async () => {
    const source = mappingWith('erp', {
      'contracts/erp-result.json': replacing('"ABORTED"', '"STOPPED"'),
    });
    expect(
      await problemCodes(pool, compiled(source), sampleResult({ decision: 'aborted' })),
    ).toEqual(['contract']);
    expect(await problemCodes(pool, compiled(source), sampleResult())).toEqual([]);
  });

  it('check a contract that holds patterns in the pool, with the same answer', async () => {
    const source = mappingWith('erp', {
      'contracts/erp-result.json': replacing('"Lot": {', '"Lot": { "pattern": "^LOT-[0-9]+$",'),
    });
    expect(await problemCodes(pool, compiled(source), sampleResult())).toEqual([]);
    expect(await problemCodes(pool, compiled(source), sampleResult({ lot: 'lot-1' }))).toEqual([
      'contract',
    ]);
  });

  it.each([
    ['as it stands', '"pattern"', true],
    // RFC 8259 §8.3: names that differ only in escapes are equal.
    ['behind an escape', '"\\u0070attern"', true],
    ['of names', '"patternProperties"', true],
    ['not at all', '"minLength"', false],
  ])('are checked in the pool whenever the contract names a pattern: %s', (_, key, inPool) => {
    expect(needsPool(`{ "type": "string", ${key}: 1 }`)).toBe(inPool);
  });

  it('fail a contract that refers to itself without end, instead of ending in an exception', async () => {
    const source = mappingWith('erp', {
      'contracts/erp-result.json': replacing('"type": "object",', '"$ref": "#", "type": "object",'),
    });
    expect(await problemCodes(pool, compiled(source), sampleResult())).toEqual(['contract']);
  });

  it('refuse a message that has no mapping', async () => {
    expect(await problemCodes(pool, lims, sampleStop())).toEqual(['message-not-mapped']);
  });

  it('fill the request path with values percent-encoded as one segment', async () => {
    const source = mappingWith('lims', {
      'lims.mapping.yaml': replacing(
        'path: api/identity-results }',
        'path: "results/{/lot}/{deliveryId}" }',
      ),
    });
    const outcome = await build(pool, compiled(source), sampleResult({ lot: '../a b?c#d/ü' }));
    expect(outcome.ok && outcome.payload.request.path).toBe(
      'results/..%2Fa%20b%3Fc%23d%2F%C3%BC/00000000-0000-7000-8000-00000000c0de',
    );
    expect(await problemCodes(pool, compiled(source), sampleResult({ lot: '..' }))).toEqual([
      'request-path',
    ]);
    expect(await problemCodes(pool, compiled(source), sampleResult({ lot: null }))).toEqual([
      'request-path',
    ]);
  });
});

describe('what a payload permits', () => {
  it('is release only for a conforms, and only its covered containers are listed', async () => {
    const containers: StatementRecord['containers'] = [
      { label: 'C1', required: true, state: 'covered', resultIds: ['R1'] },
      { label: 'C2', required: false, state: 'not-required', resultIds: [] },
    ];
    const text = await payloadText(pool, erp, sampleStatement({ containers }));
    expect(text).toContain('<UsageDecision>USE-PERMITTED</UsageDecision>');
    expect(text).toContain('<Containers><Container>C1</Container></Containers>');
  });

  it('is read in an element by itself and in its own text: in XML the two are one', async () => {
    const edit = (text: string) =>
      replacing(
        '/IdentityMessage/Body/Decision',
        '/IdentityMessage/Body/UsageDecision/#text',
      )(replacing('ABORTED', 'USE-PERMITTED')(text)).replace(
        '    contract: contracts/erp-result.json\n',
        '',
      );
    const mapping = compiled(mappingWith('erp', { 'erp.mapping.yaml': edit }));
    const sent = await payloadText(pool, mapping, sampleResult({ decision: 'fail' }));
    expect(xmlText(sent, '/IdentityMessage/Body/UsageDecision')).toBe('FAILED');
    expect(await problemCodes(pool, mapping, sampleResult({ decision: 'aborted' }))).toEqual([
      'permits-without-conforms',
    ]);
    const ownText = [{ at: '/Body/Use/#text', values: ['YES'] }];
    expect(readPermits({ Body: { Use: 'YES' } }, ownText)).toBe('exact');
    expect(readPermits({ Body: { Use: ['NO', 'yes'] } }, ownText)).toBe('confusable');
    expect(readPermits({ Body: { Use: { '#text': 'NO', '@by': 'YES' } } }, ownText)).toBe('none');
  });

  it('refuses a conforms that stands under a stop', async () => {
    const stopInForce = sampleStop().stop;
    expect(await problemCodes(pool, erp, sampleStatement({ stopInForce }))).toEqual([
      'permits-without-conforms',
    ]);
  });

  it('is never release for any other word, whatever it is', async () => {
    const word = fc.oneof(
      fc.constantFrom(
        'does-not-conform',
        'incomplete',
        'conforms ',
        'Conforms',
        'CONFORMS',
        'suspend',
        'withdraw',
        'pass',
        '',
        'USE-PERMITTED',
        'constructor',
      ),
      fc.string(),
    );
    await fc.assert(
      fc.asyncProperty(
        word.filter((w) => w !== 'conforms'),
        async (w) => {
          const subjects = [
            sampleStatement({ outcome: w as never }),
            sampleResult({ decision: w as never }),
            sampleStop({ kind: w as never }),
            sampleStop({}, { outcome: w as never }),
          ];
          for (const subject of subjects) {
            const outcome = await build(pool, erp, subject);
            if (!outcome.ok) continue;
            expect(outcome.payload.permitsRelease).toBe(false);
            expect(Buffer.from(outcome.payload.bytes).toString()).not.toContain('USE-PERMITTED');
          }
        },
      ),
      { numRuns: 300 },
    );
  });
});
