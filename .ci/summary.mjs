/**
 * Sums up what .ci/run left behind.
 *
 * node .ci/summary.mjs DIR            prints `N passed, N failed` over the test reports in DIR; exit 1 when
 *                                     one failed or none ran
 * node .ci/summary.mjs --failed DIR   the same line when a step failed: at least one failure is counted
 * node .ci/summary.mjs --demo FILE    exit 1 unless the last line of FILE is a JSON object with ok = true
 */
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';

const args = process.argv.slice(2);

function checkDemo(file) {
  const last = readFileSync(file, 'utf8').trimEnd().split('\n').at(-1) ?? '';
  let result;
  try {
    result = JSON.parse(last);
  } catch (cause) {
    console.error(`the demo's last line is not JSON (${cause.message}): ${last.slice(0, 200)}`);
    process.exit(1);
  }
  if (result?.ok !== true) {
    console.error(`the demo ended with ok = ${JSON.stringify(result?.ok)}, expected true`);
    process.exit(1);
  }
}

function count(directory) {
  const reports = existsSync(directory)
    ? readdirSync(directory).filter((name) => name === 'tests.json' || name === 'faults.json')
    : [];
  let passed = 0;
  let failed = 0;
  for (const name of reports) {
    const report = JSON.parse(readFileSync(join(directory, name), 'utf8'));
    passed += report.numPassedTests;
    failed += report.numFailedTests;
    // A file that fails before its first test counts no test, but the run did not pass.
    if (report.numFailedTests === 0 && report.success === false) failed += 1;
  }
  return { passed, failed };
}

/** A few tests in thousands may lose a race for the machine; more than that is a fault of theirs or of ours. */
const AGAIN_MAX = 3;

function ranAgain(directory) {
  const file = join(directory, 'again.json');
  return existsSync(file) ? JSON.parse(readFileSync(file, 'utf8')) : [];
}

if (args[0] === '--demo') {
  checkDemo(args[1]);
} else {
  const stepFailed = args[0] === '--failed';
  const { passed, failed } = count(stepFailed ? args[1] : args[0]);
  const again = ranAgain(stepFailed ? args[1] : args[0]);
  for (const name of again) console.log(`passed only when run once more: ${name}`);
  const tooMany = again.length > AGAIN_MAX ? again.length : 0;
  const failures = (stepFailed ? Math.max(failed, 1) : failed) + tooMany;
  console.log(`${passed} passed, ${failures} failed`);
  if (failures > 0 || passed === 0) process.exitCode = 1;
}
