import { PassThrough } from 'node:stream';
import { afterEach, expect, it, vi } from 'vitest';
import { askUnseen } from '../../src/cli/read-password.files.js';

afterEach(() => {
  vi.restoreAllMocks();
});

function terminal() {
  vi.spyOn(process.stderr, 'write').mockReturnValue(true);
  return new PassThrough();
}

it('takes a line as the password, without its end', async () => {
  const input = terminal();
  const asked = askUnseen('Password: ', input);
  input.write('copper lantern\r');
  expect(await asked).toBe('copper lantern');
});

it.each([
  ['ends before a line was typed', (input: PassThrough) => input.end()],
  ['is left with Ctrl+D', (input: PassThrough) => input.write('\u0004')],
  ['is left with Ctrl+C', (input: PassThrough) => input.write('\u0003')],
])('has no password when the terminal %s', async (_name, leave) => {
  const input = terminal();
  const asked = askUnseen('Password: ', input);
  leave(input);
  expect(await asked).toBe('');
});
