import { describe, expect, it } from 'vitest';
import type { InboundMapped } from '../../src/mapping/inbound-map.service.js';
import { inboundBench, inboundYaml } from './inbound-bench.js';

const map = inboundBench();

const FIELDS = [
  '{ to: receiptId, from: line.id }',
  '{ to: material, from: line.material }',
  '{ to: supplierLot, from: line.lot, required: false }',
  '{ to: dockCount, from: line.counted, required: false }',
  '{ to: containers, from: line.labels }',
];
const JSON_LINES = inboundYaml('format: json\nlines: items', FIELDS);
const XML_LINES = inboundYaml('format: xml\nlines: d.i', FIELDS);
const CSV_LINES = inboundYaml('format: csv', [
  ...FIELDS.slice(0, 4),
  '{ to: containers, from: line.labels, splitAt: "|" }',
]);

const bodies = (mapped: InboundMapped) =>
  mapped.ok ? mapped.requests.map(({ receiptId, body }) => ({ receiptId, ...body })) : mapped;
const faults = (mapped: InboundMapped) => (mapped.ok ? [] : mapped.faults);

describe('rule 24: what names a thing goes through exactly as the source wrote it', () => {
  // Texts that spreadsheets and number parsers are known to change: leading zeros, exponents, long digits, dates.
  const values = [
    '000123',
    '1E5',
    '1e-3',
    '12345678901234567890',
    '3-4',
    '1.10',
    'aB',
    'TRUE',
    'ﬁ',
  ];
  const expected = values.map((lot, i) => ({
    receiptId: `00${i}`,
    material: 'NQ-1001',
    supplierLot: lot,
    containers: [`0${lot}`],
  }));

  it('in JSON, as text and as number alike', async () => {
    const items = values.map((lot, i) => ({
      id: `00${i}`,
      material: 'NQ-1001',
      lot,
      labels: [`0${lot}`],
    }));
    expect(bodies(await map(JSON_LINES, JSON.stringify({ items })))).toEqual(expected);
    const number = '{"items":[{"id":1E5,"material":1.0,"lot":12345678901234567890,"labels":[7]}]}';
    expect(bodies(await map(JSON_LINES, number))).toEqual([
      { receiptId: '1E5', material: '1.0', supplierLot: '12345678901234567890', containers: ['7'] },
    ]);
  });

  it('in XML and in CSV', async () => {
    const items = values.map(
      (lot, i) =>
        `<i><id>00${i}</id><material>NQ-1001</material><lot>${lot}</lot><labels>0${lot}</labels></i>`,
    );
    expect(bodies(await map(XML_LINES, `<d>${items.join('')}</d>`))).toEqual(expected);
    const rows = values.map((lot, i) => `00${i},NQ-1001,${lot},,0${lot}`);
    const csv = `id,material,lot,counted,labels\n${rows.join('\n')}`;
    expect(bodies(await map(CSV_LINES, csv))).toEqual(expected);
  });

  it('and is refused where it would have to be changed or made up', async () => {
    const missing = await map(JSON_LINES, '{"items":[{"id":"","material":"M","labels":["A"]}]}');
    expect(faults(missing)).toMatchObject([
      { place: '/items/0, receiptId (from line.id)', rule: 'required-missing' },
    ]);
    const boolean = await map(JSON_LINES, '{"items":[{"id":true,"material":"M","labels":["A"]}]}');
    expect(faults(boolean)).toMatchObject([{ rule: 'identifier-altered' }]);
    const long = await map(
      JSON_LINES,
      JSON.stringify({ items: [{ id: 'x'.repeat(201), material: 'M', labels: ['A'] }] }),
    );
    expect(faults(long)[0]?.message).toContain('expected at most 200');
  });

  it('joined only where two different things cannot get one name', async () => {
    const joined = inboundYaml('format: json', [
      '{ to: receiptId, join: { of: [line.a, line.b], with: "-" } }',
      ...FIELDS.slice(1),
    ]);
    const line = (a: string, b: string) =>
      `[{"a":"${a}","b":"${b}","material":"M","labels":["A"]}]`;
    expect(bodies(await map(joined, line('0012', '010')))).toMatchObject([
      { receiptId: '0012-010' },
    ]);
    for (const [a, b] of [
      ['0012-0', '10'],
      ['', '10'],
      [' 1', '2'],
    ] as const) {
      expect(faults(await map(joined, line(a, b)))).toMatchObject([{ rule: 'identifier-altered' }]);
    }
  });
});

describe('a CSV document', () => {
  it.each([
    ['commas', ','],
    ['semicolons', ';'],
    ['tabs', '\t'],
  ])('is read with %s, a byte-order mark and quoted cells', async (_name, separator) => {
    // A tab is a control character, which no lot number shows.
    const shown = separator.trim();
    const rows = [
      ['id', 'material', 'lot', 'counted', 'labels'],
      ['"R;1,""x"""', 'M', `"a${shown}b"`, '2', 'A|B'],
    ];
    const csv = `\ufeff${rows.map((row) => row.join(separator)).join('\r\n')}\r\n\r\n`;
    expect(bodies(await map(CSV_LINES, csv))).toEqual([
      {
        receiptId: 'R;1,"x"',
        material: 'M',
        supplierLot: `a${shown}b`,
        dockCount: 2,
        containers: ['A', 'B'],
      },
    ]);
  });

  it('is refused whole, with line and rule, when one cell is wrong', async () => {
    const csv = 'id,material,lot,counted,labels\nR1,M,,1,A\nR2,M,,one,A\nR3,M,,1,A..Z';
    const found = faults(await map(CSV_LINES, csv));
    expect(found.map(({ place }) => place)).toEqual(['line 3', 'line 4']);
    expect(found[0]?.message).toContain('/dockCount');
    const uneven = faults(await map(CSV_LINES, 'id,material,lot,counted,labels\nR1,M\n'));
    expect(uneven).toMatchObject([{ place: 'line 2', rule: 'cell-count' }]);
    const wide = faults(await map(CSV_LINES, Buffer.from('id;\n', 'utf16le')));
    expect(wide).toMatchObject([{ rule: 'encoding' }]);
    const empty = faults(await map(CSV_LINES, ''));
    expect(empty).toMatchObject([{ rule: 'no-lines' }]);
  });

  it('is refused with a column that nothing reads, and with one that stands twice', async () => {
    const more = await map(CSV_LINES, 'id,material,lot,counted,labels,retest\nR1,M,,1,A,2027\n');
    expect(faults(more)).toMatchObject([{ rule: 'unknown-member', place: 'line 2' }]);
    const twice = await map(CSV_LINES, 'id,material,lot,lot,labels\nR1,M,a,b,A\n');
    expect(faults(twice)).toMatchObject([{ rule: 'column-twice' }]);
  });
});

describe('an XML document', () => {
  const item = '<i><id>1</id><material>M</material><labels>A</labels></i>';

  it.each([
    ['a document type', `<!DOCTYPE d><d>${item}</d>`],
    ['an entity of its own', `<!DOCTYPE d [<!ENTITY e "x">]><d>${item}</d>`],
    ['an entity nobody declared', '<d><i><id>&e;</id></i></d>'],
    ['an open element', `<d>${item}`],
    ['too deep', `${'<d>'.repeat(40)}${'</d>'.repeat(40)}`],
  ])('is refused with %s', async (_name, xml) => {
    expect(faults(await map(XML_LINES, xml))).toMatchObject([{ rule: 'xml' }]);
  });

  it('names the element of what is wrong', async () => {
    const xml = `<d>${item}<i><id>2</id><labels>A</labels><labels>A</labels></i></d>`;
    expect(faults(await map(XML_LINES, xml))).toMatchObject([
      { place: '/d/i[2], material (from line.material)', rule: 'required-missing' },
    ]);
    expect(faults(await map(XML_LINES, '<e/>'))).toMatchObject([{ rule: 'no-lines' }]);
    expect(faults(await map(XML_LINES, '<d><i>x</i></d>'))).toMatchObject([{ rule: 'line-form' }]);
  });

  it('gives each line what stands above it, also where that repeats', async () => {
    const yaml = inboundYaml('format: xml\nlines: d.n.i', [
      '{ to: receiptId, join: { of: [head.d.n.`@no`, line.id], with: / } }',
      ...FIELDS.slice(1),
    ]);
    const xml = `<d><n no="01">${item}</n><n no="02">${item}${item.replace('1', '2')}</n></d>`;
    expect(bodies(await map(yaml, xml))).toMatchObject([
      { receiptId: '01/1' },
      { receiptId: '02/1' },
      { receiptId: '02/2' },
    ]);
  });
});

describe('one receipt over several lines', () => {
  const yaml = inboundYaml('format: csv\ngroupBy: line.id', [
    '{ to: receiptId, from: line.id }',
    '{ to: material, from: line.material }',
    '{ to: containers, from: line.label }',
  ]);

  it('gathers its containers in their order and refuses what they disagree about', async () => {
    const csv = 'id,material,label\nR1,M,A\nR2,M,A\nR1,M,B\n';
    expect(bodies(await map(yaml, csv))).toEqual([
      { receiptId: 'R1', material: 'M', containers: ['A', 'B'] },
      { receiptId: 'R2', material: 'M', containers: ['A'] },
    ]);
    const other = faults(await map(yaml, csv.replace('R1,M,B', 'R1,N,B')));
    expect(other).toMatchObject([{ place: 'line 2 to line 4, material', rule: 'lines-differ' }]);
    const twice = faults(await map(yaml, csv.replace('R1,M,B', 'R1,M,A')));
    expect(twice[0]?.message).toContain('stands 2 times');
  });
});

describe('what cannot be meant', () => {
  it('is refused: one receipt twice, and no receipt at all', async () => {
    const item = '{"id":"R","material":"M","labels":["A"]}';
    const twice = faults(await map(JSON_LINES, `{"items":[${item},${item}]}`));
    expect(twice).toMatchObject([{ place: '/items/1', rule: 'twice-in-document' }]);
    expect(faults(await map(JSON_LINES, '{"items":[]}'))).toMatchObject([{ rule: 'no-lines' }]);
    expect(faults(await map(JSON_LINES, '{"items":'))).toMatchObject([{ rule: 'json-syntax' }]);
  });

  it('a lot of none and one of 20,000 containers are taken, one more is not', async () => {
    const of = (labels: readonly string[]) =>
      map(JSON_LINES, JSON.stringify({ items: [{ id: 'R', material: 'M', labels }] }));
    const many = await of(['C-00001..C-20000']);
    expect(many.ok && many.requests[0]?.asked).toMatchObject({ kind: 'line' });
    expect(faults(await of(['C-00001..C-20001']))).toHaveLength(1);
    expect(faults(await of([]))).toMatchObject([{ rule: 'required-missing' }]);
    const mayBeEmpty = JSON_LINES.replace(
      'from: line.labels',
      'from: line.labels, required: false',
    );
    const none = await map(mayBeEmpty, '{"items":[{"id":"R","material":"M","labels":[]}]}');
    expect(bodies(none)).toEqual([{ receiptId: 'R', material: 'M', containers: [] }]);
  });

  it('an expression that does not end, ends', async () => {
    const yaml = inboundYaml('format: json', [
      ...FIELDS,
      `{ to: quantity, from: '($f := function($n) { $f($n + 1) }; $f(0))' }`,
    ]);
    const found = faults(await map(yaml, '[{"id":"R","material":"M","labels":["A"]}]'));
    expect(found).toHaveLength(1);
    expect(found[0]?.rule).toMatch(/^expression-/);
  });
});

describe('a split', () => {
  it('takes its parts one by one', async () => {
    const yaml = `${inboundYaml('format: json', ['{ to: receiptId, from: line.id }', '{ to: reason, from: line.why }'], 'split')}    parts:
      each: line.into
      fields:
        - { to: receiptId, from: part.id }
        - { to: containers, from: part.labels }
`;
    const document = {
      id: 'R',
      why: 'two orders',
      into: [
        { id: 'S', labels: ['A'] },
        { id: 'T', labels: ['B..B'] },
      ],
    };
    const wrong = await map(yaml, JSON.stringify([document]));
    expect(faults(wrong)[0]?.message).toContain('/parts/1/containers');
    const into = [
      { id: 'S', labels: ['A'] },
      { id: 'T', labels: ['B1..B2'] },
    ];
    const right = await map(yaml, JSON.stringify([{ ...document, into }]));
    expect(right.ok && right.requests[0]?.asked).toEqual({
      kind: 'change',
      body: {
        change: 'split',
        reason: 'two orders',
        parts: [
          { receiptId: 'S', containers: ['A'] },
          { receiptId: 'T', containers: ['B1', 'B2'] },
        ],
      },
    });
  });
});
