'use strict';

/**
 * The architecture as rules. A stage of the pipeline may use the stages before it and the base, never a
 * later one; a file without a suffix is a pure rule and touches nothing outside itself; a suffix says what
 * else a file may touch. DEVELOPERS.md explains the why.
 */

const STAGES = [
  'intake',
  'checks',
  'records',
  'mapping',
  'delivery',
  'reconciliation',
  'statements',
];
const BASE = [
  'site',
  'methods',
  'receipts',
  'formats',
  'access',
  'audit',
  'signatures',
  'storage',
  'queue',
];
const TOP = ['pipeline', 'cli', 'dashboard', 'simulation'];

const any = (names) => `(?:${names.join('|')})`;
const inFolders = (names) => `^src/${any(names)}/`;

/** No suffix: `sampling-plan.ts`, not `lots.store.ts`. Storage, queue and commands are I/O as a whole. */
const PURE_FOLDERS = [
  ...STAGES,
  ...BASE.filter((name) => name !== 'storage' && name !== 'queue'),
  'pipeline',
  'dashboard',
  'simulation',
];
const PURE = `^src/(?:${any(PURE_FOLDERS)}/[a-z0-9/-]+\\.tsx?|(?:step|errors|error-registry|problem-details)\\.ts)$`;
const ROW_TYPES = '^src/storage/tables\\.ts$';
const CONFIG = '^src/config\\.ts$';
const ROOT_TOP = '^src/(?:main|app\\.module)\\.ts$';

/** Packages that compute and nothing else. */
const PURE_PACKAGES = ['ajv', 'ajv-formats', 'canonicalize', 'fast-xml-parser', 'jsonata', 'yaml'];
const PURE_CORE = ['crypto', 'zlib', 'diagnostics_channel', 'buffer', 'util', 'path', 'assert'];

/** A module of npm's tree by package name, whatever file of it is resolved. */
const npm = (names) => `node_modules/${any(names)}(?:/|$)`;

function stageRules() {
  return STAGES.map((stage, index) => ({
    name: `${stage}-uses-no-later-stage`,
    comment: `Later stages pick up rows; ${stage} knows nothing of them.`,
    severity: 'error',
    from: { path: inFolders([stage]) },
    to: { path: inFolders(STAGES.slice(index + 1)) },
  })).slice(0, -1);
}

/** Packages of the rim and the files that may touch them. */
function packageRules() {
  const rows = [
    ['kysely', ['kysely'], '^src/storage/|\\.store\\.ts$'],
    ['sqlite', ['better-sqlite3'], '^src/storage/'],
    ['postgresql', ['pg'], '^src/storage/'],
    ['redis', ['bullmq', 'ioredis'], '^src/queue/'],
    [
      'nest-and-fastify',
      ['@nestjs', '@fastify', 'fastify', 'rxjs', 'reflect-metadata'],
      '\\.(?:controller|module|processor|guard|filter|interceptor|pipe|service|page|logger)\\.tsx?$|^src/(?:main|app\\.module|cli/drumline|cli/[a-z-]+\\.command|simulation/[a-z-]+\\.server)\\.ts$',
    ],
    ['undici', ['undici'], '\\.(?:endpoint|client|command)\\.ts$|^src/simulation/'],
    ['piscina', ['piscina'], '^src/queue/threads\\.pool\\.ts$'],
    ['commander', ['commander'], '^src/cli/'],
    ['preact', ['preact'], '^src/dashboard/'],
    ['whole-pages', ['preact-render-to-string'], '^src/dashboard/render-page\\.ts$'],
  ];
  return rows.map(([name, packages, allowed]) => ({
    name: `${name}-only-at-its-rim`,
    comment: `Only files matching ${allowed} may import ${packages.join(', ')}.`,
    severity: 'error',
    from: { path: '^src/', pathNot: allowed },
    to: { path: npm(packages) },
  }));
}

module.exports = {
  forbidden: [
    {
      name: 'no-cycles',
      comment: 'A cycle means that two files are one thought, or that one knows too much.',
      severity: 'error',
      from: {},
      to: { circular: true },
    },
    {
      name: 'resolvable',
      comment: 'An import that cannot be resolved fails at start, not here.',
      severity: 'error',
      from: {},
      to: { couldNotResolve: true },
    },
    {
      name: 'no-development-packages',
      comment: 'The service must start from an installation without development packages.',
      severity: 'error',
      from: { path: '^src/' },
      to: { dependencyTypes: ['npm-dev', 'npm-no-pkg', 'npm-unknown'] },
    },
    ...stageRules(),
    {
      name: 'base-uses-no-stage',
      comment: 'Every stage stands on the base, so the base knows none of them.',
      severity: 'error',
      from: { path: inFolders(BASE) },
      to: { path: inFolders(STAGES) },
    },
    {
      name: 'nothing-below-knows-the-top',
      comment:
        'Only the pipeline knows the sequence; commands, pages and simulation use what is below.',
      severity: 'error',
      from: { path: [inFolders([...STAGES, ...BASE]), PURE], pathNot: inFolders(TOP) },
      to: { path: [inFolders(TOP), ROOT_TOP] },
    },
    {
      name: 'pipeline-knows-no-rim',
      comment:
        'The sequence is the same whoever started it; pages hand their use case over to be wired.',
      severity: 'error',
      from: { path: '^src/pipeline/' },
      to: {
        path: [inFolders(['cli', 'dashboard', 'simulation']), ROOT_TOP],
        pathNot: '^src/dashboard/dashboard\\.service\\.ts$',
      },
    },
    {
      name: 'simulation-is-for-commands',
      comment: 'Nothing simulated can be reached from the service itself.',
      severity: 'error',
      from: { path: '^src/', pathNot: inFolders(['cli', 'simulation']) },
      to: { path: '^src/simulation/' },
    },
    {
      name: 'dashboard-shows-only',
      comment:
        'Pages are wired at the root and know neither commands nor simulation nor the sequence.',
      severity: 'error',
      from: { path: '^src/dashboard/' },
      to: { path: [inFolders(['cli', 'simulation', 'pipeline']), ROOT_TOP] },
    },
    {
      name: 'commands-are-leaves',
      comment: 'Commands are started by the bin script; only the root may share their options.',
      severity: 'error',
      from: { path: '^src/', pathNot: ['^src/cli/', ROOT_TOP] },
      to: { path: '^src/cli/' },
    },
    {
      name: 'pure-uses-pure',
      comment: 'A rule takes values and returns values: it imports other rules only.',
      severity: 'error',
      from: { path: PURE },
      to: { path: '^src/', pathNot: [PURE, ROW_TYPES, CONFIG] },
    },
    {
      name: 'pure-uses-row-types-as-types',
      comment:
        'A rule may speak of a row or of the configuration, but not of the machinery behind it.',
      severity: 'error',
      from: { path: PURE },
      to: { path: [ROW_TYPES, CONFIG], dependencyTypesNot: ['type-only'] },
    },
    {
      name: 'pure-uses-no-io',
      comment: 'Files, sockets, clocks and processes belong to files whose suffix says so.',
      severity: 'error',
      from: { path: PURE },
      to: {
        dependencyTypes: ['core'],
        dependencyTypesNot: ['type-only'],
        pathNot: `^(?:node:)?${any(PURE_CORE)}$`,
      },
    },
    {
      name: 'pure-uses-computing-packages',
      comment: 'Random ids, databases, HTTP and frameworks stay out of rules.',
      severity: 'error',
      from: { path: PURE, pathNot: '^src/dashboard/' },
      to: { path: 'node_modules/', pathNot: npm(PURE_PACKAGES) },
    },
    {
      name: 'stores-query-only',
      comment: 'A store is queries of its stage: no service, no transport, no endpoint.',
      severity: 'error',
      from: { path: '\\.store\\.ts$' },
      to: {
        path: '^src/.*\\.(?:service|controller|processor|page|module|endpoint|pool|worker|command)\\.tsx?$',
      },
    },
    {
      name: 'services-know-no-transport',
      comment: 'A use case is the same over HTTP, from a queue and on the command line.',
      severity: 'error',
      from: { path: '\\.service\\.ts$' },
      to: { path: '^src/.*\\.(?:controller|processor|page|command)\\.tsx?$' },
    },
    {
      name: 'bodies-behind-the-guard',
      comment:
        'A body may take minutes: whoever reads one asks for the right again behind it (access/request-body.files.ts).',
      severity: 'error',
      from: { path: '^src/', pathNot: inFolders(['access']) },
      to: { path: '^src/formats/read-body\\.files\\.ts$' },
    },
    ...packageRules(),
  ],
  options: {
    doNotFollow: { path: 'node_modules' },
    tsPreCompilationDeps: true,
    tsConfig: { fileName: 'tsconfig.json' },
    enhancedResolveOptions: {
      exportsFields: ['exports'],
      conditionNames: ['import', 'node', 'default', 'types'],
      mainFields: ['module', 'main', 'types'],
      extensions: ['.ts', '.tsx', '.js', '.json'],
    },
  },
};
