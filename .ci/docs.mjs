/**
 * Writes the generated pages of docs/ from the built program: errors.md from the error registry, checks.md
 * from the list of rules. `npm run docs` builds first. Tests compare pages and program both ways.
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

const HOLDS = { bundle: 'the bundle', result: 'the result' };

function effectOf(rule) {
  if (rule.refuses) return 'refuses the bytes';
  return rule.severity === 'hold' ? `holds ${HOLDS[rule.scope]}` : `remark on ${HOLDS[rule.scope]}`;
}

async function checksPage() {
  const { listRules } = await built('checks/rule-list.js');
  const rows = listRules().map((rule) => [
    `\`${rule.code}\``,
    effectOf(rule),
    rule.needs,
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
skipped).

Generated from \`src/checks/rules/\` by \`npm run docs\`; a test compares both ways.

${table(['Code', 'Effect', 'Needs', 'Meaning', 'What to do'], rows)}
`;
}

writeFileSync(join(ROOT, 'docs', 'errors.md'), await errorsPage());
writeFileSync(join(ROOT, 'docs', 'checks.md'), await checksPage());
