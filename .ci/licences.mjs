/**
 * Licence check over the whole locked tree: every package of package-lock.json must carry a licence that
 * allows commercial use without conditions this project cannot meet. Reads the installed package.json,
 * and the lock file's own field for packages of other platforms that are not installed here.
 *
 * Usage: node .ci/licences.mjs [--json]. Exit 0 when all pass, 1 with a list of what does not.
 */
import { existsSync, readFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

const ROOT = join(dirname(fileURLToPath(import.meta.url)), '..');

const ALLOWED = new Set([
  '0BSD',
  'Apache-2.0',
  'BlueOak-1.0.0',
  'BSD-2-Clause',
  'BSD-3-Clause',
  'CC0-1.0',
  'ISC',
  'MIT',
  'MIT-0',
  'Python-2.0',
  'Unlicense',
  'Zlib',
]);

/**
 * Kept by hand: what a rule cannot decide. `licence` is what was found when a person looked; a package
 * that changes it is reported again.
 */
const EXCEPTIONS = [
  {
    name: /^lightningcss(-.+)?$/,
    licence: 'MPL-2.0',
    reason: 'development only (bundler of the test runner), used unmodified and not shipped',
    devOnly: true,
  },
  {
    name: /^png-js$/,
    licence: 'none stated',
    reason: 'its manifest names none; its LICENSE file is the MIT licence',
    devOnly: false,
  },
];

/** Evaluates an SPDX expression: OR needs one allowed side, AND needs both. */
export function isAllowed(expression) {
  const tokens = expression.match(/\(|\)|[^\s()]+/g) ?? [];
  let at = 0;
  function anyOf() {
    let ok = allOf();
    while (tokens[at] === 'OR') {
      at += 1;
      ok = allOf() || ok;
    }
    return ok;
  }
  function allOf() {
    let ok = one();
    while (tokens[at] === 'AND') {
      at += 1;
      ok = one() && ok;
    }
    return ok;
  }
  function one() {
    const token = tokens[at];
    at += 1;
    if (token !== '(') return token !== undefined && ALLOWED.has(token);
    const ok = anyOf();
    at += 1;
    return ok;
  }
  return anyOf() && at === tokens.length;
}

function statedLicence(directory, lockEntry) {
  const file = join(directory, 'package.json');
  if (!existsSync(file)) {
    return lockEntry.optional ? (lockEntry.license ?? 'none stated') : 'not installed';
  }
  const manifest = JSON.parse(readFileSync(file, 'utf8'));
  const stated = manifest.license ?? manifest.licenses ?? lockEntry.license;
  if (typeof stated === 'string') return stated;
  const list = [stated].flat().map((item) => item?.type ?? item);
  return list.every((item) => typeof item === 'string') && list.length > 0
    ? list.join(' OR ')
    : 'none stated';
}

function verdict(name, licence, entry) {
  if (isAllowed(licence)) return { ok: true };
  const exception = EXCEPTIONS.find((e) => e.name.test(name) && e.licence === licence);
  if (exception && (!exception.devOnly || entry.dev || entry.devOptional)) {
    return { ok: true, exception: exception.reason };
  }
  return { ok: false };
}

function survey() {
  const lock = JSON.parse(readFileSync(join(ROOT, 'package-lock.json'), 'utf8'));
  return Object.entries(lock.packages)
    .filter(([path, entry]) => path !== '' && !entry.link)
    .map(([path, entry]) => {
      const name = path.slice(path.lastIndexOf('node_modules/') + 'node_modules/'.length);
      const licence = statedLicence(join(ROOT, path), entry);
      return { name, version: entry.version, licence, ...verdict(name, licence, entry) };
    });
}

function main() {
  const packages = survey();
  const refused = packages.filter((p) => !p.ok);
  const counts = new Map();
  for (const { licence } of packages) counts.set(licence, (counts.get(licence) ?? 0) + 1);
  const summary = [...counts].sort((a, b) => b[1] - a[1]);
  if (process.argv.includes('--json')) {
    console.log(
      JSON.stringify({ packages: packages.length, licences: Object.fromEntries(summary), refused }),
    );
  } else {
    console.log(`licences of ${packages.length} packages`);
    for (const [licence, count] of summary)
      console.log(`  ${String(count).padStart(4)}  ${licence}`);
    for (const { name, licence, reason } of EXCEPTIONS) {
      const used = packages.filter((p) => p.exception === reason).length;
      console.log(`  exception: ${name} (${licence}, ${used} packages): ${reason}`);
    }
    for (const p of refused) console.error(`  refused: ${p.name}@${p.version}: ${p.licence}`);
  }
  if (refused.length > 0 || packages.length === 0) process.exitCode = 1;
}

if (process.argv[1] === fileURLToPath(import.meta.url)) main();
