/**
 * Writes the generated pages of docs/ from the built program: errors.md from the error registry, checks.md
 * from the list of rules, rights.md from the marks of the handlers. `npm run docs` builds first. Tests compare pages and program both ways.
 */
import { writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

const ROOT = join(dirname(fileURLToPath(import.meta.url)), '..');
const built = (file) => import(join(ROOT, 'dist', file));

const cell = (text) => String(text).replaceAll('|', '\\|').replaceAll('\n', ' ');
const row = (cells) => `| ${cells.map(cell).join(' | ')} |`;

function table(heading, rows) {
  return [row(heading), `|${heading.map(() => '---').join('|')}|`, ...rows.map(row)].join('\n');
}

async function errorsPage() {
  const { ERRORS } = await built('error-registry.js');
  const rows = Object.entries(ERRORS)
    .sort(([a], [b]) => (a < b ? -1 : 1))
    .map(([code, entry]) => [
      `\`${code}\``,
      entry.meaning,
      entry.remedy,
      entry.status ?? '–',
      entry.level,
    ]);
  return `# Error codes

Codes are stable: they stand in the answer of the API (\`code\`, RFC 9457 problem details), in the log and
in the output of commands. Messages may change. HTTP status \`–\`: never answers a request.

Generated from \`src/error-registry.ts\` by \`npm run docs\`; a test compares both ways.

${table(['Code', 'Meaning', 'What to do', 'HTTP', 'Log level'], rows)}
`;
}

async function checksPage() {
  const { listRules } = await built('checks/rule-list.js');
  const { effectOf } = await built('checks/explain.js');
  const rows = listRules().map((rule) => [
    `\`${rule.code}\``,
    effectOf(rule),
    rule.needs,
    rule.limit ?? '–',
    rule.meaning,
    rule.advice,
  ]);
  return `# Checks

What a bundle and its results are checked for, in the order in which findings are listed. A finding names the
rule's code, the place (a JSON Pointer into the bundle), found against expected, and what to do.

- **refuses the bytes**: they cannot be read as a bundle. They are stored and answered 422, or moved to \`refused/\`.
- **holds the bundle**: none of its results counts. **holds the result**: only that one does not.
- **remark**: noted in the record; the result counts.

A contrary result counts against its receipt in every one of these states. *Needs* says what a rule has to
know: the document alone, the site folder too, or what came before (\`history\`; \`drumline check\` lists those as
skipped). *Limit* names the keys of \`signal-limits.yaml\` that a rule asks for, each with its source ([signal.md](signal.md)
has the definitions; \`drumline check\` lists rules whose limit is not set as \`noLimit\`, and they are not run), or
another place of the site folder. \`drumline check --explain CODE\` says the same of one code.

Generated from \`src/checks/rules/\` by \`npm run docs\`; a test compares both ways.

${table(['Code', 'Effect', 'Needs', 'Limit', 'Meaning', 'What to do'], rows)}
`;
}

async function rightsPage() {
  const { RIGHTS_OF_ROLE, RIGHTS_OF_CONTROL, PROGRAM_ROLES, RIGHTS, ROLES, rightsOfScopes } =
    await built('access/rights.js');
  const { SCOPES } = await built('access/api-key.js');
  const { refusalOf } = await built('access/need.js');
  const { listRoutes } = await built('route-list.module.js');
  const people = ROLES.filter((role) => !PROGRAM_ROLES.has(role));
  const callers = [
    ['nobody', { kind: 'nobody', rights: new Set() }],
    ...people.map((role) => [role, { kind: 'person', rights: new Set(RIGHTS_OF_ROLE[role]) }]),
    ...SCOPES.map((scope) => [`key ${scope}`, { kind: 'key', rights: rightsOfScopes([scope]) }]),
    ['command line', { kind: 'cli', rights: RIGHTS_OF_CONTROL }],
  ];
  // Files of the pages are named by their content.
  const named = (path) => path.replace(/-[0-9a-f]{12}(?=\.)/, '-…');
  const routes = listRoutes().map(({ method, path, mark }) => [
    `\`${method} ${named(path)}\``,
    mark === null
      ? 'nobody'
      : `${mark.need}${mark.provesPerson ? ', proven by password' : ''}${mark.isForPeople ? ', as a person' : ''}`,
    ...callers.map(([, caller]) => (refusalOf(mark, caller) === null ? 'yes' : '–')),
  ]);
  const holders = RIGHTS.map((right) => [
    right,
    ...people.map((role) => (RIGHTS_OF_ROLE[role].includes(right) ? 'yes' : '–')),
    ...SCOPES.map((scope) => (rightsOfScopes([scope]).has(right) ? 'yes' : '–')),
    RIGHTS_OF_CONTROL.has(right) ? 'yes' : '–',
  ]);
  const names = callers.map(([name]) => name);
  return `# Rights

Who may do what. A right that is not given is denied, and an address without a mark is open to nobody.

- People have **roles** at a site; several add up. API keys have **scopes**. The **command line** is whoever may read
  the control file of the data folder, that is the user who runs the gateway; it judges and signs nothing.
- The administrator makes people and keys, and neither signs nor judges. Whoever is to do both needs two roles, given
  by another administrator; the trail shows it. A password reset lets an administrator hand out an initial password:
  it opens nothing but the page where another is chosen, signs nothing, ends the person's sign-ins and stands in the
  trail.
- A person who still has an initial password is let through to their account page only.
- What counts is what somebody may do when the last byte of a request is here, and for signatures and changes of people and
  keys when they are stored. Whose account was ended, who lost the role, or whose key was revoked in the meantime is answered 401
  or 403, and nothing is done.
- Until the first person is made, pages (pages.read) open without a sign-in in a browser on the gateway's own machine.
  From then on they do not.

## Separation of duties

| who                                            | may not                                                                   |
| ---------------------------------------------- | ------------------------------------------------------------------------- |
| whoever measured a result, under any operator id they have or ever had | clear, refuse, re-attribute (propose or sign) or review it, or what decides about it |
| whoever asks for a label printed anew          | be its witness, under any of their names or ids                           |
| whoever proposed a mapping or a method, or answers for the key it was proposed with | approve it                           |
| whoever announced or changed a receipt by hand, or answers for a key that did | be the second person of its statement, answer for its origin, lift a stop of it |
| an administrator                               | give roles to themselves, drop an operator id of their own, reset their own password |
| anybody                                        | take the last administrator of a site                                     |

**One person, one judgement.** An account is ended for good, and somebody who comes back gets a new one. An administrator names
the ended account as its *predecessor*, with the reason by which that is known (\`drumline user predecessor\`, the page of a
person, or when the account is made). From then on all accounts of the person are judged together: their operator ids, also
those that were taken from one of them, and what was announced, proposed or entered under any. It holds for good. Only an
account that has ended is named, and of one other only; so no account in force is ever two people's. Whether a new account
is somebody's second one nobody but the site can know: make it part of how accounts are given out.

## Rights

${table(['Right', ...names.slice(1)], holders)}

## Addresses

*Needs* is the right, \`signed-in\` (to be a person) or \`open\`. Addresses of the pages' own files end in a digest
of their content.

Generated from the marks of the handlers and \`src/access/rights.ts\` by \`npm run docs\`; a test asks every address
as every one of these callers and compares.

${table(['Address', 'Needs', ...names], routes)}
`;
}

writeFileSync(join(ROOT, 'docs', 'rights.md'), await rightsPage());
writeFileSync(join(ROOT, 'docs', 'errors.md'), await errorsPage());
writeFileSync(join(ROOT, 'docs', 'checks.md'), await checksPage());
