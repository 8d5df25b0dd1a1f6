import { writeFileSync } from 'node:fs';

/**
 * Names every test that failed and then passed when it was run once more, as `.ci/run` allows on a crowded machine:
 * it is printed, kept in `.drumline/ci/again.json`, and more than a few fail the run (see `summary.mjs`).
 */
// biome-ignore lint/style/noDefaultExport: the test runner loads a reporter by its default export.
export default class AgainReporter {
  #again = [];

  onTestCaseResult(test) {
    const { retryCount = 0 } = test.diagnostic() ?? {};
    if (retryCount === 0 || test.result().state !== 'passed') return;
    this.#again.push(`${test.project.name} ${test.module.relativeModuleId}: ${test.fullName}`);
  }

  onTestRunEnd() {
    for (const name of this.#again) console.log(`passed only when run once more: ${name}`);
    writeFileSync(process.env.AGAIN_FILE ?? '.drumline/ci/again.json', JSON.stringify(this.#again));
  }
}
