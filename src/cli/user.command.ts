import { type Command, Option } from 'commander';
import { PROGRAM_ROLES, ROLES } from '../access/rights.js';
import {
  commandSettings,
  type GatewayOptions,
  readAnswer,
  withGatewayOptions,
} from './gateway-command.js';
import { requestGateway } from './gateway-request.files.js';
import { EXIT, printJsonLine, printText, progress } from './output.js';
import { readPasswordInput } from './password-input.files.js';

const PERSON_ROLES = ROLES.filter((role) => !PROGRAM_ROLES.has(role));

interface PasswordOptions {
  readonly passwordFile?: string;
  readonly passwordStdin?: boolean;
}

interface CreateOptions extends GatewayOptions, PasswordOptions {
  readonly printedName: string;
  readonly role?: string[];
  readonly operator?: string[];
  readonly predecessor?: string;
  readonly reason?: string;
}

type ReasonOptions = GatewayOptions & { readonly reason: string };

/** Commands about people; they work on the gateway that runs, or on the data folder when none does. */
export function registerUser(program: Command): void {
  const user = program
    .command('user')
    .description('make and list people, give roles, deactivate, unlock, reset passwords')
    .addHelpText(
      'after',
      '\nExample:\n  drumline user create mira.holt --printed-name "Mira Holt" --role administrator',
    );
  registerCreate(user);
  registerList(user);
  registerRoles(user);
  registerOperators(user);
  registerPredecessor(user);
  registerReset(user);
  registerReasoned(user, 'deactivate', 'end an account for good, and its sign-ins at once');
  registerReasoned(user, 'unlock', 'let somebody try again at once after too many tries');
}

function registerCreate(user: Command): void {
  const create = user
    .command('create')
    .description('make an account; its initial password is shown this once, or read from elsewhere')
    .argument('<user-name>', 'for signing in; never given to anybody else')
    .requiredOption('--printed-name <name>', 'as it stands beside a signature')
    .addOption(new Option('--role <role...>', 'what the person may do').choices(PERSON_ROLES))
    .option('--operator <id...>', 'ids under which the person measures on instruments')
    .option('--predecessor <user-name>', 'ended account of the same person, whose ids pass on')
    .option('--reason <text>', 'with --predecessor: how that is known; kept in the trail')
    .addHelpText(
      'after',
      '\nExample:\n  drumline user create mira.holt --printed-name "Mira Holt" --role reviewer --operator MH',
    );
  withGatewayOptions(withPassword(create)).action(async (name: string, options: CreateOptions) => {
    const input = readPasswordInput(options);
    if (!input.ok) return refuseUsage(input.message);
    const made = (await post('', options, {
      userName: name,
      printedName: options.printedName,
      roles: options.role ?? [],
      operatorIds: options.operator ?? [],
      ...(input.password === undefined ? {} : { password: input.password }),
      ...(options.predecessor === undefined
        ? {}
        : { predecessor: options.predecessor, reason: options.reason }),
    })) as { id: string; userName: string; initialPassword?: string } | undefined;
    if (!made) return;
    if (options.json) printJsonLine(made);
    else printText(`id        ${made.id}${handedOver(made.initialPassword)}`);
  });
}

function registerList(user: Command): void {
  withGatewayOptions(
    user
      .command('list')
      .description('list people, their roles and whether they can sign in')
      .addHelpText('after', '\nExample:\n  drumline user list --json'),
  ).action(async (options: GatewayOptions) => {
    const answer = await requestGateway(commandSettings(options), {
      method: 'GET',
      path: '/api/v1/people',
    });
    const listed = readAnswer(answer, options.json === true) as { people: Listed[] } | undefined;
    if (!listed) return;
    if (options.json) printJsonLine(listed);
    else for (const person of listed.people) printText(describePerson(person));
  });
}

function registerRoles(user: Command): void {
  withGatewayOptions(
    user
      .command('roles')
      .description('give these roles in the place of those that the person has; none takes all')
      .argument('<user-name>')
      .argument('[role...]', PERSON_ROLES.join(', '))
      .requiredOption('--reason <text>', 'why; kept in the trail')
      .addHelpText(
        'after',
        '\nExample:\n  drumline user roles mira.holt reviewer signer --reason "deputy from May"',
      ),
  ).action(async (name: string, roles: string[], options: ReasonOptions) => {
    await change(name, 'roles', options, { roles });
  });
}

function registerOperators(user: Command): void {
  withGatewayOptions(
    user
      .command('operators')
      .description('say under which ids the person measures, in the place of those in force')
      .argument('<user-name>')
      .argument('[id...]')
      .requiredOption('--reason <text>', 'why; kept in the trail')
      .addHelpText(
        'after',
        '\nExample:\n  drumline user operators mira.holt MH mholt --reason "second id on NQ-R-0003"',
      ),
  ).action(async (name: string, operatorIds: string[], options: ReasonOptions) => {
    await change(name, 'operators', options, { operatorIds });
  });
}

function registerPredecessor(user: Command): void {
  withGatewayOptions(
    user
      .command('predecessor')
      .description('say for good that an ended account was the same person’s; its ids pass on')
      .argument('<user-name>')
      .argument('<ended-user-name>')
      .requiredOption('--reason <text>', 'how that is known; kept in the trail')
      .addHelpText(
        'after',
        '\nExample:\n  drumline user predecessor mira.holt2 mira.holt --reason "came back in May, staff number 114"',
      ),
  ).action(async (name: string, predecessor: string, options: ReasonOptions) => {
    await change(name, 'predecessor', options, { predecessor });
  });
}

function registerReset(user: Command): void {
  const reset = user
    .command('reset-password')
    .description('give a new initial password, and end all sign-ins of the person')
    .argument('<user-name>')
    .requiredOption('--reason <text>', 'why; kept in the trail')
    .addHelpText(
      'after',
      '\nExample:\n  drumline user reset-password mira.holt --reason "forgotten"',
    );
  withGatewayOptions(withPassword(reset)).action(
    async (name: string, options: ReasonOptions & PasswordOptions) => {
      const input = readPasswordInput(options);
      if (!input.ok) return refuseUsage(input.message);
      const given = input.password === undefined ? {} : { password: input.password };
      const body = { reason: options.reason, ...given };
      const done = (await post(`/${encodeURIComponent(name)}/password`, options, body)) as
        | { userName: string; initialPassword?: string }
        | undefined;
      if (!done) return;
      if (options.json) printJsonLine(done);
      else printText(`reset     ${done.userName}${handedOver(done.initialPassword)}`);
    },
  );
}

function registerReasoned(user: Command, verb: 'deactivate' | 'unlock', description: string): void {
  withGatewayOptions(
    user
      .command(verb)
      .description(description)
      .argument('<user-name>')
      .requiredOption('--reason <text>', 'why; kept in the trail')
      .addHelpText(
        'after',
        `\nExample:\n  drumline user ${verb} mira.holt --reason "asked in person"`,
      ),
  ).action((name: string, options: ReasonOptions) => change(name, verb, options, {}));
}

function withPassword(command: Command): Command {
  return command
    .option('--password-file <file>', 'take the initial password from the first line of a file')
    .option('--password-stdin', 'take the initial password from the first line of stdin');
}

async function change(
  name: string,
  what: string,
  options: ReasonOptions,
  body: Readonly<Record<string, unknown>>,
): Promise<void> {
  const path = `/${encodeURIComponent(name)}/${what}`;
  const done = await post(path, options, { reason: options.reason, ...body });
  if (done === undefined) return;
  if (options.json) printJsonLine(done);
  else printText(`done      ${name}`);
}

async function post(path: string, options: GatewayOptions, body: unknown): Promise<unknown> {
  const answer = await requestGateway(commandSettings(options), {
    method: 'POST',
    path: `/api/v1/people${path}`,
    body: { contentType: 'application/json', text: JSON.stringify(body) },
  });
  return readAnswer(answer, options.json === true);
}

function refuseUsage(message: string): void {
  progress(message);
  process.exitCode = EXIT.usage;
}

function handedOver(password: string | undefined): string {
  return password === undefined
    ? ''
    : `\npassword  ${password}\nHand it over now; it is not shown again, and has to be changed at the first sign-in.`;
}

interface Listed {
  readonly userName: string;
  readonly printedName: string;
  readonly roles: readonly string[];
  readonly operatorIds: readonly string[];
  readonly formerOperatorIds: readonly string[];
  readonly predecessors: readonly string[];
  readonly successor: string | null;
  readonly mustChangePassword: boolean;
  readonly lockedUntil: string | null;
  readonly deactivatedAt: string | null;
  readonly lastSignInAt: string | null;
}

function describePerson(person: Listed): string {
  const state =
    person.deactivatedAt !== null
      ? `deactivated ${person.deactivatedAt}`
      : person.lockedUntil !== null
        ? `locked until ${person.lockedUntil}`
        : person.mustChangePassword
          ? 'has to choose a password'
          : `last sign-in ${person.lastSignInAt ?? 'never'}`;
  const roles = person.roles.join(',') || 'no role';
  const measures =
    person.operatorIds.length === 0 ? '' : `  measures as ${person.operatorIds.join(',')}`;
  const former = person.formerOperatorIds;
  const measured = former.length === 0 ? '' : `  measured as ${former.join(',')}`;
  const before = person.predecessors;
  const same = before.length === 0 ? '' : `  same person as ${before.join(',')}`;
  const goesOn = person.successor === null ? '' : `, goes on as ${person.successor}`;
  return `${person.userName}  ${person.printedName}  ${roles}${measures}${measured}${same}  ${state}${goesOn}`;
}
