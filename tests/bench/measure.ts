import { cpus } from 'node:os';

/** One way of doing a job. `work` returns a number that depends on its result, so that nothing is optimised away. */
export interface Row {
  name: string;
  /** Runs untimed before each timed run. */
  before?: () => void;
  work: () => number | Promise<number>;
  /** Untimed, after each run. */
  after?: () => void;
}

export interface Measured {
  name: string;
  /** Milliseconds a run. */
  median: number;
  min: number;
  mean: number;
  sd: number;
  runs: number;
}

let sink = 0;

/**
 * Times rows against each other in one process: warm-up, then turn by turn, so that a slow moment of the machine hits
 * all of them. On a machine that others use, compare minima.
 */
export async function measure(rows: readonly Row[], runs = 41, warmUp = 20): Promise<Measured[]> {
  const times = rows.map((): number[] => []);
  for (let run = -warmUp; run < runs; run++) {
    for (const [i, row] of rows.entries()) {
      row.before?.();
      const start = performance.now();
      sink += await row.work();
      const time = performance.now() - start;
      row.after?.();
      if (run >= 0) times[i]!.push(time);
    }
  }
  return rows.map(({ name }, i) => {
    const sorted = times[i]!.toSorted((a, b) => a - b);
    const mean = sorted.reduce((sum, time) => sum + time, 0) / runs;
    const sd = Math.sqrt(sorted.reduce((sum, time) => sum + (time - mean) ** 2, 0) / runs);
    return { name, median: sorted[Math.floor(runs / 2)]!, min: sorted[0]!, mean, sd, runs };
  });
}

/** Processor and Node version, to stand with every figure. The sink is printed too: it has to be used. */
export function machine(): string {
  return `${cpus()[0]?.model ?? 'unknown processor'}, Node ${process.version} (sink ${sink.toExponential(1)})`;
}

/** A table for a terminal or a Markdown page. */
export function table(head: readonly string[], rows: readonly (readonly string[])[]): string {
  const widths = head.map((_, c) => Math.max(...[head, ...rows].map((row) => row[c]!.length)));
  const line = (row: readonly string[]) => `| ${row.map((cell, c) => cell.padEnd(widths[c]!)).join(' | ')} |`;
  return [line(head), `| ${widths.map((width) => '-'.repeat(width)).join(' | ')} |`, ...rows.map(line)].join('\n');
}
