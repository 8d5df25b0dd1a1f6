import { readFile } from 'node:fs/promises';
import type { Command } from 'commander';
import { loadBundleSchema } from '../checks/bundle-schema.files.js';
import type { Examination } from '../checks/examination.js';
import { examineBundle } from '../checks/examine-bundle.js';
import {
  CLEARANCE_IN_WORDS,
  explainRule,
  NEEDS_IN_WORDS,
  rulesWithoutLimit,
} from '../checks/explain.js';
import type { Finding } from '../checks/finding.js';
import { listRules } from '../checks/rule-list.js';
import { instantFromMillis } from '../formats/instant.js';
import { type ShownNumbers, shownNumbers } from '../intake/finding-numbers.js';
import { unreadableFile } from './file-fault.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';
import { loadSiteForCommand } from './site-folder-option.files.js';

interface CheckOptions {
  readonly siteFolder?: string;
  readonly json?: boolean;
  readonly explain?: string;
}

type ShownFinding = Pick<Finding, 'code' | 'severity' | 'pointer' | 'message' | 'advice'> &
  ShownNumbers;

interface CheckedFile {
  readonly file: string;
  readonly outcome: 'accepted' | 'held' | 'refused';
  readonly findings: readonly ShownFinding[];
  /** Codes of rules that need what came before, and so were not applied. */
  readonly skipped: readonly string[];
  /** Codes of rules that the site folder sets no limit for, and so were not applied. */
  readonly noLimit: readonly string[];
}

/** `drumline check`: what the gateway would find in a bundle, without a gateway. */
export function registerCheck(program: Command): void {
  program
    .command('check')
    .description('check result bundles by themselves and against a site folder')
    .argument('[file...]', 'result bundles')
    .option(
      '--site-folder <dir>',
      'site folder (default: DRUMLINE_SITE_FOLDER or mappings/northquay)',
    )
    .option('--explain <code>', 'say what a finding of this code means, and what to do')
    .option('--json', 'print one JSON line, last on stdout')
    .addHelpText(
      'after',
      '\nExample:\n  drumline check bundle.json --site-folder mappings/northquay --json\n  drumline check --explain signal-saturated\n\nExit: 0 all accepted, 1 findings hold or refuse, 2 wrong usage. Rules that need earlier bundles or\nreceipts are listed as skipped, rules whose limit the site folder does not set as noLimit; only the gateway applies them. An accepted bundle releases nothing.',
    )
    .action(checkFiles);
}

async function checkFiles(files: readonly string[], options: CheckOptions): Promise<void> {
  if (options.explain !== undefined) {
    explain(options.explain, files, options);
    return;
  }
  if (files.length === 0) {
    progress('name the bundles to check, or --explain CODE');
    process.exitCode = EXIT.usage;
    return;
  }
  const site = await loadSiteForCommand(options.siteFolder);
  if (site === null) {
    process.exitCode = EXIT.usage;
    return;
  }
  const validateSchema = loadBundleSchema();
  const checked: CheckedFile[] = [];
  for (const file of files) {
    const bytes = await readOrReport(file);
    if (bytes === null) {
      process.exitCode = EXIT.usage;
      return;
    }
    const now = instantFromMillis(Date.now());
    const examination = examineBundle(bytes, site, { now, validateSchema });
    checked.push(describe(file, examination, rulesWithoutLimit(site.signal)));
  }
  if (options.json === true) printJsonLine({ files: checked });
  else for (const one of checked) printChecked(one);
  if (checked.some((one) => one.outcome !== 'accepted')) process.exitCode = EXIT.problems;
}

async function readOrReport(file: string): Promise<Uint8Array | null> {
  try {
    return await readFile(file);
  } catch (error) {
    progress(unreadableFile(file, error));
    return null;
  }
}

function describe(file: string, examination: Examination, noLimit: readonly string[]): CheckedFile {
  const skipped = listRules()
    .filter((rule) => rule.needs === 'history')
    .map((rule) => rule.code);
  if (examination.kind === 'unreadable') {
    return { file, outcome: 'refused', findings: [shown(examination.finding)], skipped, noLimit };
  }
  const findings = [
    ...examination.bundleFindings,
    ...examination.results.flatMap((result) => result.findings),
  ];
  const isHeld = findings.some((finding) => finding.severity === 'hold');
  const outcome = isHeld ? 'held' : 'accepted';
  return { file, outcome, findings: findings.map(shown), skipped, noLimit };
}

function shown({ code, severity, pointer, message, advice, numbers }: Finding): ShownFinding {
  return { code, severity, pointer, message, advice, ...shownNumbers(numbers) };
}

function printChecked({ file, outcome, findings, skipped, noLimit }: CheckedFile): void {
  printText(`${file}: ${outcome}`);
  for (const { code, severity, pointer, message, advice, limit } of findings) {
    printText(`  ${severity} ${code} at ${pointer === '' ? 'the document' : pointer}: ${message}`);
    if (limit !== null) printText(`    limit ${limit.value}, from: ${limit.source}`);
    printText(`    ${advice}`);
  }
  printText(`  not applied, they need what came before: ${skipped.join(', ')}`);
  if (noLimit.length > 0) printText(`  not applied, no limit is set: ${noLimit.join(', ')}`);
}

/** What a finding means. Files beside it are a mistake: nothing would be checked. */
function explain(code: string, files: readonly string[], { json }: CheckOptions): void {
  const explanation = files.length > 0 ? null : explainRule(code);
  if (explanation === null) {
    const unknown = `no check has the code ${JSON.stringify(code.slice(0, 100))}; docs/checks.md lists them`;
    progress(files.length > 0 ? '--explain takes a code and no files' : unknown);
    process.exitCode = EXIT.usage;
    return;
  }
  if (json === true) {
    printJsonLine(explanation);
    return;
  }
  const { effect, needs, meaning, advice, limit, clearance } = explanation;
  printText(`${explanation.code}: ${effect}`);
  printText(`  ${meaning}`);
  printText(`  needs to know: ${NEEDS_IN_WORDS[needs]}`);
  if (limit !== undefined) printText(`  limit: ${limit}`);
  printText(`  what to do: ${advice}`);
  if (clearance !== null)
    printText(`  may it be cleared: ${CLEARANCE_IN_WORDS[clearance.kind]}, ${clearance.why}`);
}
