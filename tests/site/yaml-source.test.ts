import { describe, expect, it } from 'vitest';
import { readYaml } from '../../src/site/yaml-source.js';

const faultsOf = (text: string) => {
  const read = readYaml('site.yaml', text);
  return read.ok ? [] : read.faults.map(({ line, rule, message }) => ({ line, rule, message }));
};

describe('a YAML file of the site folder', () => {
  // YAML 1.2.2, 9.1.4 and 9.2: a document ends at `...` or at the `---` of the next one.
  it.each([
    ['begins a second document', 'a: 1\n---\nb: 2\n', 2],
    ['goes on behind the end of its document', 'a: 1\n...\nb: 2\n', 3],
    ['goes on behind an end with a remark', 'a: 1\n... # done\nb: 2\n', 3],
    ['holds an empty document first', '---\n---\na: 1\n', 2],
  ])('that %s is refused: what stands there would be passed over', (_what, text, line) => {
    expect(faultsOf(text)).toEqual([
      { line, rule: 'yaml', message: expect.stringContaining('document') as string },
    ]);
  });

  it('may say where its one document begins and ends', () => {
    expect(readYaml('site.yaml', '%YAML 1.2\n---\na: 1\n...\n# end\n')).toMatchObject({
      ok: true,
      source: { value: { a: 1 } },
    });
  });

  // YAML 1.2.2, 6.9.1: a tag says what a value is, whatever it looks like.
  it.each(['a: !!str 1\n', 'a: !!int "7"\n', 'a: ! 12\n', 'a: !!map {}\n', 'a: !own 1\n'])(
    'with a tag is refused: %j',
    (text) => {
      expect(faultsOf(text)).toMatchObject([{ line: 1, rule: 'yaml' }]);
    },
  );
});
