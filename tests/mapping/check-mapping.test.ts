import { describe, expect, it } from 'vitest';
import { checkMapping } from '../../src/mapping/check-mapping.service.js';
import { mappingFaults, mappingWith, poolForFile } from '../support/mapping-bench.js';
import { replacing } from '../support/site-edits.js';

const pool = poolForFile();

/** Line of the edited text on which a part stands. */
function lineIn(text: string, part: string): number {
  return text.slice(0, text.indexOf(part)).split('\n').length;
}

describe('a mapping', () => {
  it.each(['lims', 'erp'])('of Northquay has no fault (%s)', async (destination) => {
    expect(await checkMapping(mappingWith(destination), pool)).toEqual([]);
  });

  // Each row: rule, destination, found, replaced by, and the text whose line the fault names.
  const rows: readonly [string, string, string, string, string?][] = [
    [
      'identifier-altered',
      'lims',
      'from: record.lot, identifier: true',
      'from: record.lot',
      'from: record.lot',
    ],
    [
      'identifier-altered',
      'lims',
      'from: record.lot, identifier: true',
      "from: '$uppercase(record.lot)', identifier: true",
    ],
    [
      'identifier-altered',
      'lims',
      'from: record.lot, identifier: true',
      "from: '$substring(record.lot, 0, 8)'",
    ],
    // The same lot by other ways: from the top, from where a path got to, within what stands in a path.
    ...[
      '$substring($$.record.lot, 0, 8)',
      '$substring($.record.lot, 0, 8)',
      'record.$substring(lot, 0, 8)',
      'record.(lot & "")',
      'record.{"lot": lot}.lot',
      '(record).lot & ""',
      '($held := record; $substring($held.lot, 0, 8))',
      'record@$held.$substring($held.lot, 0, 8)',
      '($lower := function($text) { $lowercase($text) }; $lower(record.lot))',
      '$uppercase(attribution.container)',
      'attribution.container',
      // By names that are computed, or that a function is handed a part of.
      '$lookup(record, "lot")',
      '$each(record, function($value) { $value })[0]',
      'record.*[0]',
      '**.lot[0]',
      '$map([record], function($part) { $substring($part.lot, 0, 8) })[0]',
      '$distinct([record]).lot.$substring($, 0, 8)',
    ].map((from): [string, string, string, string] => [
      'identifier-altered',
      'lims',
      'from: record.lot, identifier: true',
      `from: ${JSON.stringify(from)}`,
    ]),
    // The year that a text leaves out is that of the day on which it is mapped.
    ...[
      '$fromMillis($toMillis("05.03.", "[D01].[M01]."))',
      '$fromMillis("05.03." ~> $toMillis("[D01].[M01]."))',
      '($read := $toMillis; $fromMillis($read("05.03.", "[D01].[M01].")))',
    ].map((from): [string, string, string, string] => [
      'expression-function',
      'lims',
      'from: record.place',
      `from: ${JSON.stringify(from)}`,
    ]),
    [
      'identifier-altered',
      'lims',
      'from: record.revision, identifier: true',
      'from: record.revision, identifier: true, as: number',
    ],
    [
      'identifier-altered',
      'lims',
      'from: record.lot, identifier: true',
      'from: record.lot, identifier: true, table: decisions',
    ],
    [
      'identifier-altered',
      'lims',
      'from: record.lot, identifier: true',
      'from: record.lot, identifier: true, round: { places: 1, rule: half-up }',
    ],
    ['source-not-mapped', 'lims', '      - { to: /origin, from: record.origin }\n', ''],
    ['source-not-mapped', 'lims', 'from: record.environment', 'constant: training'],
    ['source-not-mapped', 'lims', 'from: record.origin', 'from: \'record.origin & ""\''],
    [
      'source-not-mapped',
      'erp',
      'from: statement.revision, identifier: true',
      'from: statement.factsVersion',
    ],
    [
      'source-not-mapped',
      'lims',
      'to: /origin, from: record.origin',
      'to: /origin, from: record.origin, required: false',
    ],
    ['unknown-source', 'lims', 'from: record.place', 'from: record.plaze', 'record.plaze'],
    ['unknown-table', 'lims', 'table: entries,', 'table: entrys,', 'table: entrys'],
    ['unused-table', 'lims', 'tables:\n', 'tables:\n  spare: { rows: { a: b } }\n', 'spare:'],
    ['field-source', 'lims', 'constant: result', 'constant: result, from: message'],
    ['payload-collision', 'lims', 'to: /lot,', 'to: /material,'],
    ['payload-collision', 'lims', 'to: /lot,', 'to: /material/lot,'],
    ['payload-name', 'lims', 'to: /lot,', 'to: /constructor,', 'to: /constructor'],
    ['payload-name', 'lims', 'to: /lot,', 'to: /0,', 'to: /0,'],
    [
      'payload-name',
      'erp',
      'to: /IdentityMessage/Body/Score',
      'to: "/IdentityMessage/Body/Sc ore"',
      'Sc ore',
    ],
    ['xml-root', 'erp', 'to: /IdentityMessage/Body/Score', 'to: /Other/Body/Score', '/Other/'],
    ['leaf-type', 'erp', 'from: record.method.version', 'from: record.method.version, as: number'],
    [
      'not-in-payload',
      'lims',
      'held: /reference }',
      'held: /reference }, { sent: /none, held: /x }',
      '/none',
    ],
    ['not-in-payload', 'lims', 'sent: /lot, held', 'sent: /loot, held', '/loot'],
    [
      'not-in-payload',
      'erp',
      'at: /IdentityMessage/Body/UsageDecision',
      'at: /IdentityMessage/Body/Usage',
      'Body/Usage,',
    ],
    [
      'request',
      'lims',
      'path: api/identity-results }',
      'path: /api/identity-results }',
      'path: /api',
    ],
    [
      'request',
      'lims',
      'path: api/identity-results }',
      'path: "http://192.0.2.1/x" }',
      '192.0.2.1',
    ],
    ['request', 'lims', 'path: api/identity-results }', 'path: "a/../../b" }', '../..'],
    ['request', 'lims', 'reference={deliveryId}', 'reference={nothing}', '{nothing}'],
    ['request', 'lims', '?reference={deliveryId}', ''],
    ['request', 'lims', 'method: POST, path', 'method: GET, path', 'method: GET'],
    [
      'revision-of-anything',
      'erp',
      `compare:
        - { sent: /IdentityMessage/Header/Reference, held: /Reference, as: exact }
        - { sent: /IdentityMessage/Body/Environment, held: /Content/Environment, as: exact }
        - { sent: /IdentityMessage/Body/ResultId, held: /Content/ResultId, as: exact }
`,
      `revision: { sent: /IdentityMessage/Body/Revision, held: /Content/Revision }
      compare:
        - { sent: /IdentityMessage/Body/Environment, held: /Content/Environment, as: exact }
`,
    ],
    [
      'expression-invalid',
      'lims',
      'from: record.place',
      "from: 'record.place &'",
      'record.place &',
    ],
    ['expression-function', 'lims', 'from: record.place', "from: '$now()'", '$now'],
    ['expression-function', 'lims', 'from: record.place', 'from: \'$eval("1")\'', '$eval'],
    [
      'open-review-mark',
      'lims',
      'from: record.place',
      'from: record.place, review: is this the dock?',
      'review:',
    ],
    ['source-mapped-away', 'lims', 'from: record.origin', 'from: record.origin, table: decisions'],
  ];

  it.each(rows)('%s in %s (%j to %j)', async (rule, destination, found, by, at) => {
    let edited = '';
    const faults = await mappingFaults(pool, destination, (text) => {
      edited = replacing(found, by)(text);
      if (rule === 'source-mapped-away') {
        const rows =
          'instrument: SAME\n      packed: SAME\n      simulated: SAME\n      pass: PASSED';
        edited = replacing('pass: PASSED', rows)(edited);
      }
      return edited;
    });
    const own = faults.filter((fault) => fault.rule === rule);
    expect(own.length, JSON.stringify(faults)).toBeGreaterThan(0);
    for (const fault of own) {
      expect(fault.file).toBe(`${destination}.mapping.yaml`);
      expect(fault.line).toBeGreaterThan(1);
      expect(fault.remedy).not.toBe('');
    }
    if (at) expect(own.map((fault) => fault.line)).toContain(lineIn(edited, at));
  });

  it('with a contract that is no schema is refused at the line that names it', async () => {
    const source = mappingWith('lims', {
      'contracts/lims-result.json': replacing('"type": "object"', '"type": "objekt"'),
    });
    const faults = await checkMapping(source, pool);
    expect(faults).toMatchObject([{ rule: 'contract-schema', file: 'lims.mapping.yaml' }]);
  });

  it('with a contract that would answer later is refused: what is no answer yet refuses nothing', async () => {
    const source = mappingWith('lims', {
      'contracts/lims-result.json': replacing(
        '"type": "object"',
        '"$async": true, "type": "object"',
      ),
    });
    const faults = await checkMapping(source, pool);
    expect(faults).toMatchObject([{ rule: 'contract-schema', file: 'lims.mapping.yaml' }]);
    expect(faults[0]?.message).toContain('$async: a contract answers at once');
  });

  it('with a contract too narrow for the reason of a stop is refused: that stop would never leave', async () => {
    const source = mappingWith('erp', {
      'contracts/erp-stop.json': replacing('"maxLength": 4000', '"maxLength": 400'),
    });
    const faults = await checkMapping(source, pool);
    expect(faults.map((fault) => fault.message).join()).toContain('stop for the longest reason');
  });

  it('with several faults shows them all, in reading order', async () => {
    const faults = await mappingFaults(pool, 'lims', (text) =>
      replacing(
        'from: record.place',
        'from: record.plaze',
      )(
        replacing(
          'from: record.lot, identifier: true',
          'from: record.lot',
        )(replacing('?reference={deliveryId}', '')(text)),
      ),
    );
    expect(faults.map((fault) => fault.rule)).toEqual([
      'identifier-altered',
      'unknown-source',
      'request',
    ]);
    expect(faults.map((fault) => fault.line)).toEqual(
      faults.map((fault) => fault.line).sort((a, b) => a - b),
    );
  });

  it('with a hostile expression is refused within the bound, naming it', async () => {
    const start = performance.now();
    const faults = await mappingFaults(
      pool,
      'lims',
      replacing('from: record.place', `from: '($f := function($x) { $f($x + 1) }; $f(0))'`),
    );
    expect(faults.map((fault) => fault.rule)).toContain('vocabulary-expression-failed');
    expect(performance.now() - start).toBeLessThan(25_000);
  });
});

describe('the release vocabulary refuses', () => {
  const refused = async (edit: (text: string) => string): Promise<string[]> => {
    const faults = await mappingFaults(pool, 'erp', edit);
    return faults
      .filter((fault) => fault.rule === 'release-vocabulary')
      .map((fault) => fault.message);
  };

  it('a period that yields the permitting value when it is closed', async () => {
    const field = (to: string, from: string) => `      - { to: /IdentityMessage/${to}, ${from} }`;
    const period = [
      '  period:',
      '    request: { method: POST, path: inbound }',
      '    fields:',
      field('Header/Reference', 'from: reference, identifier: true'),
      field('Body/Environment', 'from: period.environment'),
      field('Body/Period', 'from: period.periodId, identifier: true'),
      field('Body/Revision', 'from: period.revision, identifier: true'),
      field('Body/Kind', 'from: period.kind'),
      field('Body/UsageDecision', 'from: period.kind, table: closings'),
      '    answer: { echo: [] }',
      '    readBack: null',
      '',
    ].join('\n');
    const closings = (close: string) => (text: string) =>
      replacing(
        'tables:\n',
        `tables:\n  closings: { rows: { close: ${close}, addendum: NOTED } }\n`,
      )(`${text}`).replace('  withdrawal:\n    request', `${period}\n  withdrawal:\n    request`);
    expect(await refused(closings('NOTED'))).toEqual([]);
    expect((await refused(closings('USE-PERMITTED'))).join('\n')).toContain('period');
  });

  it('a result table in which aborted yields the permitting value', async () => {
    const messages = await refused((text) =>
      replacing(
        '/IdentityMessage/Body/Decision',
        '/IdentityMessage/Body/UsageDecision',
      )(replacing('ABORTED', 'USE-PERMITTED')(text)),
    );
    expect(messages.length).toBeGreaterThan(0);
    expect(messages.every((message) => message.startsWith('decision aborted'))).toBe(true);
  });

  // XML 1.0, 3.1: `<UsageDecision>X</UsageDecision>` is one element with one text, whichever path of a mapping wrote it.
  it('a result that writes the permitting value as the own text of the permitting element', async () => {
    const messages = await refused((text) =>
      replacing(
        '/IdentityMessage/Body/Decision',
        '/IdentityMessage/Body/UsageDecision/#text',
      )(replacing('ABORTED', 'USE-PERMITTED')(text)),
    );
    expect(messages.length).toBeGreaterThan(0);
    expect(messages.every((message) => message.startsWith('decision aborted'))).toBe(true);
  });

  it('a statement table in which incomplete yields the permitting value', async () => {
    const messages = await refused(replacing('incomplete: AWAITING', 'incomplete: USE-PERMITTED'));
    expect(messages.some((message) => message.startsWith('statement incomplete'))).toBe(true);
  });

  it.each([
    'use-permitted',
    'NOT-USE-PERMITTED',
    'PERMITTED',
    ' USE-PERMITTED',
    'ＵＳＥ-PERMITTED',
  ])(
    'a code for incomplete that a careless reader takes for the permitting one: %j',
    async (code) => {
      const edit = replacing('incomplete: AWAITING', `incomplete: ${JSON.stringify(code)}`);
      expect(
        (await refused(edit)).some((message) => message.startsWith('statement incomplete')),
      ).toBe(true);
      const faults = await mappingFaults(pool, 'erp', edit);
      expect(faults.map((fault) => fault.rule)).toContain('code-contains-code');
    },
  );

  it('a stop that yields the permitting value', async () => {
    const messages = await refused(replacing('suspend: BLOCK-DOUBT', 'suspend: USE-PERMITTED'));
    expect(messages.some((message) => message.startsWith('stop suspend'))).toBe(true);
  });

  it('a constant that permits in any message', async () => {
    const messages = await refused(
      replacing('from: statement.outcome, table: outcomes', 'constant: USE-PERMITTED'),
    );
    expect(messages.some((message) => message.startsWith('statement incomplete'))).toBe(true);
  });

  it('an expression that takes does-not-conform for conforms', async () => {
    const messages = await refused(
      replacing(
        'from: statement.outcome, table: outcomes',
        `from: '$contains(statement.outcome, "conform") ? "USE-PERMITTED" : "AWAITING"'`,
      ),
    );
    expect(messages.some((message) => message.startsWith('statement does-not-conform'))).toBe(true);
  });

  it('an expression with a default for what it does not know', async () => {
    const messages = await refused(
      replacing(
        'from: statement.outcome, table: outcomes',
        `from: 'statement.outcome in ["incomplete", "does-not-conform"] ? "AWAITING" : "USE-PERMITTED"'`,
      ),
    );
    expect(messages.some((message) => message.startsWith('statement a-word-nobody-knows'))).toBe(
      true,
    );
    expect(messages.some((message) => message.startsWith('statement null'))).toBe(true);
  });

  it('also when the samples fail for another reason', async () => {
    const messages = await refused((text) =>
      replacing(
        'incomplete: AWAITING',
        'incomplete: USE-PERMITTED',
      )(
        replacing(
          'from: statement.receipt.receiptId, identifier: true',
          'from: statement.receipt.receiptId, identifier: true, maxLength: 2',
        )(text),
      ),
    );
    expect(messages.some((message) => message.startsWith('statement incomplete'))).toBe(true);
  });

  it('a conforms that permits nothing although the destination acts on it', async () => {
    const faults = await mappingFaults(
      pool,
      'erp',
      replacing('conforms: USE-PERMITTED', 'conforms: USE-ALLOWED'),
    );
    expect(faults.map((fault) => fault.rule)).toContain('vocabulary-conforms-without-permit');
  });

  it('a known word without a row: what cannot be sent would be held up for ever', async () => {
    const faults = await mappingFaults(pool, 'lims', replacing('      aborted: ABORTED\n', ''));
    expect(faults).toMatchObject([
      {
        rule: 'vocabulary-table-row-missing',
        message: expect.stringContaining('decision aborted') as string,
      },
    ]);
  });

  it.each([
    ['lims', 'fail: FAILED', 'fail: PASSED', 'fail has the code of pass, "PASSED"'],
    ['lims', 'no-match: NO-HIT', 'no-match: MATCHED', 'no-match has the code of match, "MATCHED"'],
    [
      'erp',
      'does-not-conform: USE-REFUSED',
      'does-not-conform: USE-PERMITTED',
      'does-not-conform has the code of conforms, "USE-PERMITTED"',
    ],
  ])(
    'one code of what speaks for a container and what does not (%s, %s)',
    async (destination, was, is, message) => {
      const faults = await mappingFaults(pool, destination, replacing(was, is));
      const shared = faults.filter((fault) => fault.rule === 'code-shared');
      expect(shared.map((fault) => fault.message)).toEqual([message]);
    },
  );

  const DECISION = '      - { to: /decision, from: record.decision, table: decisions }';
  const lines = (...more: string[]) => [DECISION, ...more].join('\n');

  it.each([
    [
      'an expression',
      `      - { to: /verdict, from: 'record.decision in ["pass", "fail"] ? "PASSED" : "OTHER"' }`,
      'for fail it writes "PASSED" at /verdict, the code of pass',
    ],
    [
      'an expression that reads it by another way',
      `      - { to: /verdict, from: '$lookup({"aborted": "ABORTED"}, record.decision) ~> function($v) { $v ? $v : " passed " }' }`,
      'for fail it writes " passed " at /verdict, the code of pass',
    ],
    [
      'an expression behind a table',
      `      - { to: /verdict, from: 'record.decision = "no-match" ? "match" : record.decision', table: decisions }`,
      'for no-match it writes "MATCHED" at /verdict, the code of match',
    ],
    [
      'an expression with a default',
      `      - { to: /verdict, from: 'record.decision = "fail" ? "FAILED" : "PASSED"' }`,
      'for no-match it writes "PASSED" at /verdict, the code of pass',
    ],
    [
      'a constant',
      '      - { to: /verdict, constant: MATCHED }',
      'for fail it writes "MATCHED" at /verdict, the code of match',
    ],
  ])('what is written for a fail as for a pass by %s', async (_, field, message) => {
    const faults = await mappingFaults(pool, 'lims', replacing(DECISION, lines(field)));
    const shared = faults.filter((fault) => fault.rule === 'code-shared');
    expect(shared.map((fault) => fault.message)).toEqual([message]);
    expect(shared[0]?.line).toBeGreaterThan(1);
  });

  it('what is written for a statement that does not conform as for one that does', async () => {
    const faults = await mappingFaults(pool, 'erp', (text) =>
      text.replace(
        /^( +- \{ to: \/?.*from: statement\.outcome.*)$/m,
        (line) =>
          `${line}\n      - { to: /IdentityMessage/Body/Hint, from: 'statement.outcome = "incomplete" ? "LATER" : "USE-PERMITTED"' }`,
      ),
    );
    expect(faults.map((fault) => fault.rule)).toContain('code-shared');
  });

  it('nothing of a field that is about something else', async () => {
    const edit = replacing(
      DECISION,
      lines(
        `      - { to: /finished, from: 'record.decision = "aborted" ? "NO" : "YES"' }`,
        `      - { to: /speaksFor, from: 'record.decision in ["pass", "match"]', as: boolean }`,
        `      - { to: /words, from: '"decision " & record.decision' }`,
        '      - { to: /kind, constant: identity }',
        '      - { to: /ok, from: record.decision, table: flags, as: boolean }',
        `      - { to: /rechecked, from: '$exists(record.recheck)', as: boolean }`,
      ),
    );
    const rows =
      'pass: "true", match: "true", fail: "false", no-match: "false", inconclusive: "false", aborted: "false"';
    const faults = await mappingFaults(pool, 'lims', (text) =>
      edit(text).replace(/^tables:\n/m, `tables:\n  flags: { rows: { ${rows} } }\n`),
    );
    expect(faults.filter((fault) => fault.rule === 'code-shared')).toEqual([]);
  });

  it('codes of decisions that contain one another', async () => {
    const faults = await mappingFaults(
      pool,
      'lims',
      replacing('no-match: NO-HIT', 'no-match: NOT-MATCHED'),
    );
    const clash = faults.filter((fault) => fault.rule === 'code-contains-code');
    expect(clash.map((fault) => fault.message)).toEqual([expect.stringContaining('NOT-MATCHED')]);
  });
});
