import { readFile } from 'node:fs/promises';
import type { Command } from 'commander';
import { loadBundleSchema } from '../checks/bundle-schema.files.js';
import type { Examination } from '../checks/examination.js';
import { examineBundle } from '../checks/examine-bundle.js';
import type { Finding } from '../checks/finding.js';
import { listRules } from '../checks/rule-list.js';
import { instantFromMillis } from '../formats/instant.js';
import { unreadableFile } from './file-fault.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';
import { loadSiteForCommand } from './site-folder-option.files.js';

interface CheckOptions {
  readonly siteFolder?: string;
  readonly json?: boolean;
}

interface CheckedFile {
  readonly file: string;
  readonly outcome: 'accepted' | 'held' | 'refused';
  readonly findings: readonly Pick<
    Finding,
    'code' | 'severity' | 'pointer' | 'message' | 'advice' | 'numbers'
  >[];
  /** Codes of rules that need what came before, and so were not applied. */
  readonly skipped: readonly string[];
}

/** `drumline check`: what the gateway would find in a bundle, without a gateway. */
export function registerCheck(program: Command): void {
  program
    .command('check')
    .description('check result bundles by themselves and against a site folder')
    .argument('<file...>', 'result bundles')
    .option(
      '--site-folder <dir>',
      'site folder (default: DRUMLINE_SITE_FOLDER or mappings/northquay)',
    )
    .option('--json', 'print one JSON line, last on stdout')
    .addHelpText(
      'after',
      '\nExample:\n  drumline check bundle.json --site-folder mappings/northquay --json\n\nExit: 0 all accepted, 1 findings hold or refuse, 2 wrong usage. Rules that need earlier bundles or\nreceipts are listed as skipped; only the gateway applies them. An accepted bundle releases nothing.',
    )
    .action(checkFiles);
}

async function checkFiles(files: readonly string[], options: CheckOptions): Promise<void> {
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
    checked.push(describe(file, examineBundle(bytes, site, { now, validateSchema })));
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

function describe(file: string, examination: Examination): CheckedFile {
  const skipped = listRules()
    .filter((rule) => rule.needs === 'history')
    .map((rule) => rule.code);
  if (examination.kind === 'unreadable') {
    return { file, outcome: 'refused', findings: [shown(examination.finding)], skipped };
  }
  const findings = [
    ...examination.bundleFindings,
    ...examination.results.flatMap((result) => result.findings),
  ];
  const isHeld = findings.some((finding) => finding.severity === 'hold');
  return { file, outcome: isHeld ? 'held' : 'accepted', findings: findings.map(shown), skipped };
}

function shown(finding: Finding): CheckedFile['findings'][0] {
  const { code, severity, pointer, message, advice, numbers } = finding;
  return {
    code,
    severity,
    pointer,
    message,
    advice,
    ...(numbers === undefined ? {} : { numbers }),
  };
}

function printChecked({ file, outcome, findings, skipped }: CheckedFile): void {
  printText(`${file}: ${outcome}`);
  for (const { code, severity, pointer, message, advice } of findings) {
    printText(`  ${severity} ${code} at ${pointer === '' ? 'the document' : pointer}: ${message}`);
    printText(`    ${advice}`);
  }
  printText(`  not applied, they need what came before: ${skipped.join(', ')}`);
}
