import { limitRow } from './rows.mjs';

const MB = 1024 * 1024;
const PER = 10_000;

export const MEMORY_ROWS = ['gateway', 'worker'].flatMap((who) =>
  ['heap', 'rss'].map((what) => ({
    name: `memory-${what}-${who}`,
    unit: `MB a ${PER} deliveries more`,
    limit: 1,
    who,
    what,
  })),
);

/** Memory of the processes of a server pair, each time after a garbage collection, against the backlog. */
export class MemoryWatch {
  #looks = [];

  constructor(gateway) {
    this.gateway = gateway;
  }

  async look(backlog) {
    const { gateway, workers } = this.gateway;
    const measured = await Promise.all([gateway, ...workers].map((process) => process.measure()));
    this.#looks.push({ backlog, measured });
  }

  words() {
    const { measured } = this.#looks.at(-1);
    return measured
      .map(({ heapUsed, rss }) => `heap ${mb(heapUsed)} rss ${mb(rss)} MB`)
      .join(' | ');
  }

  /** Growth for 10,000 deliveries more, by a straight line through all looks; of two workers the greater. */
  rows(wanted) {
    return wanted.map((row) => {
      const indexes = row.who === 'gateway' ? [0] : [1, 2];
      const growths = indexes.map((i) => this.#growth(i, row.what === 'rss' ? 'rss' : 'heapUsed'));
      return limitRow(row, [Math.max(...growths)]);
    });
  }

  #growth(index, field) {
    const points = this.#looks.map(({ backlog, measured }) => [backlog, measured[index][field]]);
    const mean = (values) => values.reduce((sum, value) => sum + value, 0) / values.length;
    const meanX = mean(points.map(([x]) => x));
    const meanY = mean(points.map(([, y]) => y));
    const above = points.reduce((sum, [x, y]) => sum + (x - meanX) * (y - meanY), 0);
    const below = points.reduce((sum, [x]) => sum + (x - meanX) ** 2, 0);
    return ((above / below) * PER) / MB;
  }
}

function mb(bytes) {
  return (bytes / MB).toFixed(0);
}
