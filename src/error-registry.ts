/**
 * Every error the service can report: what it means, what to do, the HTTP status it answers with and the
 * level it is logged at. docs/errors.md is this table; a test compares the two both ways.
 */
export interface ErrorEntry {
  readonly meaning: string;
  readonly remedy: string;
  /** null when it never answers a request. */
  readonly status: number | null;
  readonly level: 'info' | 'warn' | 'error' | 'fatal';
}

function entry(
  meaning: string,
  remedy: string,
  status: number | null,
  level: ErrorEntry['level'],
): ErrorEntry {
  return { meaning, remedy, status, level };
}

export const ERRORS = {
  'database-in-use': entry(
    'Another process owns this data folder.',
    'Stop the other gateway, or let the command reach it through its API by leaving it running.',
    null,
    'fatal',
  ),
  'database-newer': entry(
    'The database was migrated by a later version of Drumline.',
    'Start the version that migrated it, or restore a backup made before the upgrade.',
    null,
    'fatal',
  ),
  'database-migration-failed': entry(
    'The tables of this version could not be made; nothing of the attempt is left in the database.',
    'Remove what stands in the way and start again: the migration then runs from its start. Until then the version that ran before still works.',
    null,
    'fatal',
  ),
  'database-unreachable': entry(
    'The database named by DATABASE_URL does not answer.',
    'Start it, or correct the address, the user or the password in DATABASE_URL.',
    null,
    'fatal',
  ),
  'database-unsuitable': entry(
    'The database named by DATABASE_URL cannot keep what the gateway promises.',
    'Use a primary server of PostgreSQL 14 or later with a UTF-8 database.',
    null,
    'fatal',
  ),
  'database-unavailable': entry(
    'The database takes no work just now; nothing of the request was taken.',
    'Send it again after the time in Retry-After; if it persists, look at the database.',
    503,
    'error',
  ),
  'database-clock-off': entry(
    "This computer's clock and the database's differ by more than five seconds.",
    'Have both keep time by one source. What is written goes by the clock of the database.',
    null,
    'error',
  ),
  'database-clock-stepped': entry(
    "The database's clock was set while the gateway ran.",
    'Find out who set it; times in the trail before and after do not follow on from one another.',
    null,
    'error',
  ),
  'database-connection-lost': entry(
    'A connection to the database ended that nobody had closed.',
    'Nothing at once: it is opened again. If it happens often, look at the network and the server.',
    null,
    'warn',
  ),
  'database-not-durable': entry(
    'The database server is set up so that a power loss may take back what it confirmed.',
    'Set fsync and full_page_writes to on at the server.',
    null,
    'error',
  ),
  'configuration-invalid': entry(
    'A setting is missing, unknown or out of range.',
    'Correct the setting named and start again.',
    null,
    'fatal',
  ),
  'pair-incomplete': entry(
    'Only one half of a pair of store and queue is set; the pairs are SQLite with the queue in the process, and PostgreSQL with BullMQ on Redis.',
    'Set `DATABASE_URL` and `REDIS_URL`, or unset both.',
    null,
    'fatal',
  ),
  'pair-in-one-process': entry(
    'SQLite belongs to one process, which has to serve and to work.',
    'Use `drumline serve` alone, or set `DATABASE_URL` and `REDIS_URL` to run several processes.',
    null,
    'fatal',
  ),
  'redis-too-old': entry(
    'The Redis server is older than the queue needs.',
    'Run Redis 6.2 or later at `REDIS_URL`.',
    null,
    'fatal',
  ),
  'redis-evicts': entry(
    'The Redis server may throw keys of the queue away when its memory is full.',
    'Set `maxmemory-policy noeviction` in its configuration (`redis-cli config set maxmemory-policy noeviction`).',
    null,
    'fatal',
  ),
  'redis-unsuitable': entry(
    'The Redis server is not a primary that stands alone, and the queue needs one.',
    'Point `REDIS_URL` to a primary that is not part of a cluster.',
    null,
    'fatal',
  ),
  'redis-foreign-keys': entry(
    'Keys under the prefix of this site in Redis belong to another database or to something else; they were not touched.',
    'Give each database a Redis of its own (or a database number of its own: `REDIS_URL=redis://host/1`); delete the keys named only if nothing uses them.',
    null,
    'fatal',
  ),
  'redis-refuses': entry(
    'The Redis server refuses the connection.',
    'Correct user and password in `REDIS_URL`, and let that user run the commands of the queue.',
    null,
    'fatal',
  ),
  'destination-still-owed': entry(
    'The site folder no longer names a destination that has not got a stop or a withdrawal meant for it; nobody would ever deliver it.',
    'Put the destination back until they are confirmed there. If the system behind it is gone for good, point its endpoint at a system or a folder where a person reads and answers them.',
    null,
    'fatal',
  ),
  'method-version-changed': entry(
    'The site folder gives a version of a method another content than it is registered with; results were judged by what is registered.',
    'Write it back as it was (`drumline method show` prints it), and give the new content a version of its own.',
    null,
    'fatal',
  ),
  'site-folder-invalid': entry(
    'The site folder breaks a rule.',
    'Correct the file and line named; `drumline mapping check` reports all faults at once.',
    null,
    'fatal',
  ),
  'secret-missing': entry(
    'A secret that the configuration refers to is not there.',
    'Set the environment variable or file named.',
    null,
    'fatal',
  ),
  'trail-key-unusable': entry(
    'The key that signs checkpoints of the trail cannot be used.',
    'Make one with `drumline audit key create --out FILE` outside the data folder, readable by its owner only (mode 600), and name it in DRUMLINE_TRAIL_KEY.',
    null,
    'fatal',
  ),
  'checkpoint-folder-unusable': entry(
    'Checkpoints of the trail cannot be written to the folder outside.',
    'Make the folder named by DRUMLINE_CHECKPOINT_FOLDER writable. Nothing is lost: what is missing there is written as soon as it can be.',
    null,
    'error',
  ),
  'checkpoint-differs': entry(
    'The folder of checkpoints holds another checkpoint of the same size: the trail was rewritten, or the folder belongs to another database.',
    'Keep both as they are, run `drumline audit verify --checkpoints DIR`, and have the quality unit find out which of the two it is.',
    null,
    'fatal',
  ),
  'trail-unreadable': entry(
    'The trail to be verified cannot be read.',
    'Name a data folder, a copy of a database, or a file that `drumline audit export` wrote.',
    null,
    'error',
  ),
  'secret-exposed': entry(
    'The file of a secret may be read or changed by others than its owner.',
    'Take their rights away (`chmod 600 FILE`) and let it belong to the user that Drumline runs as. Others may have read it: put a new secret in it.',
    null,
    'fatal',
  ),
  'secret-unusable': entry(
    'A secret has a form in which it cannot be used.',
    'Put the token alone in the variable or file named: one line of 8 or more visible ASCII characters, no blanks.',
    null,
    'fatal',
  ),
  'sampling-plan': entry(
    'There is no such sampling plan, or an option does not belong to it.',
    'Give one of the plans named, and only the options it takes; `drumline sampling --help` lists them.',
    null,
    'error',
  ),
  'sampling-lot-size': entry(
    'The lot size is no number of containers that a plan can be worked out for.',
    'Give a whole number within the bounds named.',
    null,
    'error',
  ),
  'sampling-level': entry(
    'The inspection level is unknown, or the tables hold no plan for it.',
    'Give one of S-1, S-2, S-3, S-4, I, II and III; II where nothing else was agreed.',
    null,
    'error',
  ),
  'sampling-aql': entry(
    'The AQL is none of those the tables hold.',
    'Give one of the values named, in percent.',
    null,
    'error',
  ),
  'sampling-positions': entry(
    'The list of a fixed plan names no container, one twice, or one that a lot cannot have.',
    'Give places in the announced list, from 1, each once: `--positions 1,5,10`.',
    null,
    'error',
  ),
  'key-missing': entry(
    'The request carries neither an API key nor a sign-in.',
    'Programs: send `Authorization: Bearer <key>`; an administrator creates one with `drumline key create`. People: sign in.',
    401,
    'info',
  ),
  'key-invalid': entry(
    'The API key is unknown, expired, rotated or revoked.',
    'Ask an administrator for a key in force.',
    401,
    'warn',
  ),
  'scope-missing': entry(
    'The API key does not carry the right this request needs.',
    'Ask an administrator for a key with the scope named.',
    403,
    'warn',
  ),
  'person-not-proven': entry(
    'Who acts did not prove who they are; nothing was changed, and the try stands in the trail.',
    'Type user name and password again. An account may also be locked for a while, or ask for another password first.',
    403,
    'warn',
  ),
  'right-missing': entry(
    'Your roles do not give the right this needs.',
    'Ask an administrator of this site which role gives it; docs/rights.md lists them.',
    403,
    'warn',
  ),
  'session-over': entry(
    'Your sign-in is over.',
    'Sign in again; nothing of this request was done.',
    401,
    'info',
  ),
  'connection-not-secure': entry(
    'Signing in over this connection would show the password to others.',
    'Use the `https:` address of the gateway (DRUMLINE_TLS_CERT and DRUMLINE_TLS_KEY, or a proxy named in DRUMLINE_TRUSTED_PROXY; docs/wire.md), or a browser on the machine that runs it.',
    403,
    'warn',
  ),
  'form-not-ours': entry(
    'This was not sent from a page of this sign-in; nothing was changed.',
    'Open the page again and send it from there. Programs with a session send the token in `x-form-token`.',
    403,
    'warn',
  ),
  'password-change-needed': entry(
    'Choose a password of your own first.',
    'Change it on the account page; everything else is open after that.',
    403,
    'info',
  ),
  'password-wrong': entry(
    'User name and password do not belong together, or the account is not in force.',
    'Type both again. Whoever has forgotten the password asks an administrator for a new one.',
    401,
    'warn',
  ),
  'password-locked': entry(
    'Too many tries failed; no password is looked at for a while.',
    'Wait until the time named, or ask an administrator to unlock the account (`drumline user unlock`).',
    429,
    'warn',
  ),
  'password-busy': entry(
    'Too many people sign in at this moment.',
    'Try again in a few seconds.',
    503,
    'warn',
  ),
  'person-invalid': entry(
    'The account cannot be like this.',
    'Correct the field named; nothing was changed.',
    422,
    'info',
  ),
  'duty-own-result': entry(
    'Nobody judges what they measured themselves.',
    'Have another reviewer judge it.',
    403,
    'warn',
  ),
  'duty-own-proposal': entry(
    'Nobody approves what they proposed themselves.',
    'Have another approver look at it.',
    403,
    'warn',
  ),
  'duty-own-roles': entry(
    'Nobody gives themselves authority, or a way around it.',
    'Have another administrator do it.',
    403,
    'warn',
  ),
  'duty-last-administrator': entry(
    'The last administrator of a site cannot be taken away.',
    'Make another administrator first.',
    409,
    'info',
  ),
  'signature-not-proven': entry(
    'The signer did not prove who they are; nothing was signed, and the try stands in the trail.',
    'Type user name and password again: after a refused try, and at the first signature of a sitting, both are needed.',
    403,
    'warn',
  ),
  'signature-stale': entry(
    'What was shown is not what is there now; nothing was signed.',
    'Look at the record again, and sign what it shows.',
    409,
    'info',
  ),
  'signature-clock-back': entry(
    'The clock reads earlier than the last entry about the record; nothing was signed.',
    'Have the clock of the gateway set right, then sign.',
    409,
    'error',
  ),
  'signature-sitting-over': entry(
    'The sitting ended while this was being signed; nothing was signed.',
    'Sign again, with user name and password.',
    409,
    'info',
  ),
  'act-not-possible': entry(
    'This act is not open to the record.',
    'Read why; a result that may not be cleared is refused and measured again.',
    409,
    'info',
  ),
  'delivery-changed': entry(
    'The delivery is not as it was shown; nothing was done.',
    'Look at it again, and decide by what it shows now.',
    409,
    'info',
  ),
  'delivery-act-refused': entry(
    'This delivery may not be sent again, built anew or given up as things stand; nothing was done.',
    'Read the remedy: a delivery that may have arrived is asked about first, and only what stands now is sent.',
    409,
    'info',
  ),
  'site-mismatch': entry(
    'The API key belongs to another site.',
    "Use this site's gateway, or a key made for this site.",
    403,
    'warn',
  ),
  'body-too-large': entry(
    'The body is larger than the limit of this site.',
    'Split it, or have `limits.bundleBytesMax` raised in the site folder.',
    413,
    'info',
  ),
  'body-type-unsupported': entry(
    'The content type is not one this address reads.',
    'Send the content type named.',
    415,
    'info',
  ),
  'idempotency-key-missing': entry(
    'The request carries no `Idempotency-Key`.',
    'Send one key for one bundle, and the same key with every repeat of it.',
    400,
    'info',
  ),
  'idempotency-key-reused': entry(
    'The `Idempotency-Key` was used before with other content.',
    'Send other content under a key of its own.',
    422,
    'warn',
  ),
  'bundle-unreadable': entry(
    'The bytes cannot be read as a result bundle; they are stored under the intake id named.',
    'Correct what the finding names at the source and send the bundle again; keep the refused file.',
    422,
    'warn',
  ),
  'expectation-invalid': entry(
    'The receipt lines break a rule; none of them was taken.',
    'Correct the lines named and send all of them again.',
    422,
    'info',
  ),
  'method-invalid': entry(
    'The proposed version of a method breaks a rule; nothing was registered.',
    'Correct what the faults name, each at its place in the body, and propose it again.',
    422,
    'info',
  ),
  'method-version-exists': entry(
    'This version of the method is registered with another content or other dates; results may have been judged by it.',
    'Give the new content a version of its own.',
    409,
    'info',
  ),
  'receipt-unknown': entry(
    'Nobody announced this receipt.',
    'Correct the receipt id, or announce the receipt first.',
    404,
    'info',
  ),
  'source-unknown': entry(
    'No inbound mapping of the site folder is for this source.',
    'Correct the name, or add `<source>.inbound.yaml` to the site folder and start again.',
    404,
    'info',
  ),
  'document-unknown': entry(
    'The source sent no such document.',
    'Correct the id; it is in the answer to the document.',
    404,
    'info',
  ),
  'receipt-closed': entry(
    'The receipt was cancelled, split or merged; it stays as it is.',
    'Announce what arrives under a receipt id and scan text of its own.',
    409,
    'info',
  ),
  'receipt-changed': entry(
    'The receipt is not at the revision that was named; somebody else changed it meanwhile.',
    'Get the receipt again, look at what changed, and send the change with the new ETag.',
    412,
    'info',
  ),
  'receipt-revision-missing': entry(
    'A change of an announced receipt has to name the revision it changes.',
    'Get the receipt, and send its ETag as `If-Match`.',
    428,
    'info',
  ),
  'receipt-change-invalid': entry(
    'The change cannot be made; nothing was changed.',
    'Correct what is named and send it again.',
    422,
    'info',
  ),
  'not-found': entry('There is nothing at this address.', 'Check the address.', 404, 'info'),
  'discrepancy-closed': entry(
    'The discrepancy is closed by evidence already.',
    'Look at its history; what is found later opens another.',
    409,
    'info',
  ),
  'period-refused': entry(
    'This period cannot be closed.',
    'Close finished periods that share no time with one that is closed; what changes later becomes its addendum.',
    409,
    'info',
  ),
  'query-invalid': entry(
    'A parameter is missing or has a value this address does not take.',
    'Correct the parameter named.',
    400,
    'info',
  ),
  'answer-not-current': entry(
    'The statement cannot be given against the last committed event just now.',
    'Ask again after the time in Retry-After; do not act on an older answer.',
    503,
    'warn',
  ),
  'not-recovering': entry(
    'The gateway is not paused after a restore or a copy.',
    'Nothing; a destination that a person paused goes on with `drumline destination resume`.',
    409,
    'info',
  ),
  'read-backs-open': entry(
    'The gateway was restored or copied, and what its destinations hold is not known yet.',
    'Wait until every destination was read back and answered (`drumline resume --show`), have every instrument in service sync, and ask again.',
    409,
    'warn',
  ),
  'backup-unusable': entry(
    'The file is no backup that can be restored, or it was changed since it was made.',
    'Take the backup and its manifest as `drumline backup` wrote them, or an older one.',
    null,
    'fatal',
  ),
  'restore-not-empty': entry(
    'The folder to restore into holds something.',
    'Name a folder that is not there or empty; nothing is ever restored over a database.',
    null,
    'fatal',
  ),
  'request-failed': entry(
    'The request failed for a reason of its own.',
    'Try again; if it persists, give the `requestId` to whoever runs the gateway.',
    500,
    'error',
  ),
} as const satisfies Record<string, ErrorEntry>;

export type ErrorCode = keyof typeof ERRORS;
