import { Command } from 'commander';
import { expect, it } from 'vitest';
import { MODULES } from '../../src/cli/commands.js';

it.each(MODULES.map(([names, load]) => ({ names, load })))(
  'the module of $names brings these commands and no others',
  async ({ names, load }) => {
    const program = new Command();
    (await load())(program);
    expect(program.commands.map((command) => command.name())).toEqual(names);
    expect(program.commands.flatMap((command) => command.aliases())).toEqual([]);
  },
);

it('each command has a name of its own', () => {
  const names = MODULES.flatMap(([all]) => all);
  expect(new Set(names).size).toBe(names.length);
});
