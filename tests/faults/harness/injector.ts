import { writeFileSync } from 'node:fs';
import { setTimeout as wait } from 'node:timers/promises';
import type { Misbehaviour } from '../../../src/simulation/misbehaviour.js';
import type { Bite } from './doubts.js';
import { FAULT_TIMING } from './fault-site.js';
import { describeFault, type Fault } from './schedule.js';
import type { ServerWorld } from './server-world.js';

/** Past the client's deadline of the site folder. */
const LATE_MS = 1600;
const DRIP_MS = 150;
const ARM_EVERY_MS = 50;

/** What a destination may do to each request that it gets. */
export const SINK_ACTS: Readonly<Record<string, Misbehaviour>> = {
  'sink-reset': { kind: 'store-then-reset' },
  'sink-late': { kind: 'slow', ms: LATE_MS },
  'sink-half': { kind: 'store-then-half' },
  'sink-error-document': { kind: 'error-document' },
  'sink-drip': { kind: 'store-then-drip', everyMs: DRIP_MS },
  // Within the settling time that the site declares: what comes later than that nobody could tell from what is lost.
  'sink-store-late': {
    kind: 'store-late',
    clientWaitsMs: FAULT_TIMING.deadlineMs,
    ms: FAULT_TIMING.settleMs / 2,
  },
  'sink-hang': { kind: 'hang' },
  'sink-unavailable': { kind: 'unavailable', retryAfterSeconds: 1 },
  // Neither 409 nor 422, which speak of the key where keys are honoured.
  'sink-reject': { kind: 'reject', status: 400, words: 'not known here yet (simulated)' },
};

/** Does to a world what a schedule says, counts what really bit, and leaves the world whole behind it. */
export class Injector {
  readonly injected = new Map<string, number>();
  readonly bites: Bite[] = [];
  readonly #say: (text: string) => void;
  #isOver = false;
  #redisTurn: Promise<void> = Promise.resolve();

  constructor(
    private readonly world: ServerWorld,
    say: (text: string) => void,
  ) {
    this.#say = say;
  }

  /** Resolves when every fault is over; nothing is injected after `endMs`. */
  async run(faults: readonly Fault[], endMs: number): Promise<void> {
    const begun = performance.now();
    const end = setTimeout(() => {
      this.#isOver = true;
    }, endMs);
    await Promise.all(
      faults.map(async (fault) => {
        await wait(Math.max(0, begun + fault.atMs - performance.now()));
        await this.#inject(fault);
      }),
    );
    clearTimeout(end);
  }

  async #inject(fault: Fault): Promise<void> {
    const why = this.world.options.place.impossible.get(fault.kind);
    if (why !== undefined) return this.#say(`not possible here: ${fault.kind}: ${why}`);
    this.#say(describeFault(fault));
    try {
      const times = Number(await this.#do(fault));
      if (times !== 0) {
        this.bites.push({ fault, times });
        this.injected.set(fault.kind, (this.injected.get(fault.kind) ?? 0) + 1);
      } else {
        this.#say(`met nothing: ${describeFault(fault)}`);
      }
    } catch (error) {
      // It may have begun.
      this.bites.push({ fault, times: Number.POSITIVE_INFINITY });
      // Another fault may have taken away what this one works on.
      this.#say(`not injected: ${fault.kind}: ${error instanceof Error ? error.message : error}`);
    }
  }

  /** False, or 0, when it met nothing; how many requests it met where it counts them. */
  async #do(fault: Fault): Promise<boolean | number> {
    const { world } = this;
    const { cluster } = world.options.place;
    switch (fault.kind) {
      case 'kill':
        return this.#kill(fault);
      case 'pause':
        return this.#pause(fault);
      case 'burst':
        world.load.burst(true);
        await wait(fault.forMs);
        world.load.burst(false);
        return true;
      case 'redis-flush':
      case 'redis-restart':
      case 'redis-absent':
        return this.#hurtRedis(fault);
      case 'postgres-restart':
        await cluster.restart();
        return true;
      case 'postgres-kill-backends':
        await cluster.killBackends();
        return true;
      case 'postgres-half-open':
        return fault.target !== undefined && world.member(fault.target).proxy.stall() > 0;
      case 'postgres-exhausted': {
        const release = await cluster.exhaust();
        await wait(fault.forMs).finally(release);
        return true;
      }
      case 'disk-full': {
        const empty = cluster.fillDisk();
        await wait(fault.forMs);
        empty();
        return true;
      }
      case 'clock-worker':
        return this.#stepClock(fault, fault.target && world.member(fault.target).clockFile);
      case 'clock-database':
        return this.#stepClock(fault, cluster.clockFile);
      case 'sink-restart':
        return this.#restartSink(fault);
      default:
        return this.#misbehave(fault);
    }
  }

  async #kill({ target, step, nth }: Fault): Promise<boolean> {
    if (target === undefined || step === undefined) return false;
    const { process: victim } = this.world.member(target);
    while (!victim.arm(step, nth ?? 1)) {
      if (this.#isOver) return false;
      await wait(ARM_EVERY_MS);
    }
    const before = victim.killedAt.length;
    while (victim.killedAt.length === before) {
      if (this.#isOver) {
        victim.disarm();
        return false;
      }
      await wait(ARM_EVERY_MS);
    }
    return true;
  }

  async #pause({ target, forMs }: Fault): Promise<boolean> {
    if (target === undefined) return false;
    const { process: victim } = this.world.member(target);
    if (!victim.isReady) return false;
    victim.pause();
    await wait(forMs);
    return victim.resume();
  }

  /** One at a time: a server that is away cannot be flushed or ended. */
  async #hurtRedis({ kind, forMs }: Fault): Promise<boolean> {
    const { redis } = this.world;
    const mine = this.#redisTurn.then(async () => {
      if (kind === 'redis-flush') {
        await redis.client.flushall();
        return;
      }
      await redis.kill();
      await wait(forMs);
      await redis.start();
    });
    this.#redisTurn = mine.catch(() => undefined);
    await mine;
    return true;
  }

  async #stepClock({ byMs = 0, forMs }: Fault, file: string | null | undefined): Promise<boolean> {
    if (file === null || file === undefined) return false;
    const seconds = Math.round(byMs / 1000);
    writeFileSync(file, seconds < 0 ? String(seconds) : `+${seconds}`);
    await wait(forMs);
    writeFileSync(file, '+0');
    return true;
  }

  async #restartSink({ sink: name, forMs }: Fault): Promise<boolean> {
    if (name === undefined) return false;
    const sink = this.world.sinks.find((one) => one.name === name);
    if (sink === undefined) return false;
    await sink.process.restart(forMs);
    if (name === 'erp') await this.world.tellErp();
    return true;
  }

  async #misbehave({ kind, sink: name, every, forMs }: Fault): Promise<number> {
    const act = SINK_ACTS[kind];
    const sink = this.world.sinks.find((one) => one.name === name);
    if (act === undefined || sink === undefined) return 0;
    const met = async () => (await sink.misdeeds())[act.kind] ?? 0;
    const before = await met();
    await sink.impose(act, every ?? 1);
    await wait(forMs);
    const after = await met().catch(() => Number.POSITIVE_INFINITY);
    await sink.impose(null, 1);
    // Fewer than before: it was started again meanwhile, and counts anew.
    return after < before ? Number.POSITIVE_INFINITY : after - before;
  }
}
