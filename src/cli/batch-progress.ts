import type { BatchProgress } from '../batch/run.ts';
import type { CommonOptions } from './output.ts';

/** Where there is no terminal, a line appears this often. */
const LINE_EVERY = 10; // s. So a log of a night's run stays readable.

export interface ProgressLine {
  update(progress: BatchProgress): void;
  /** A line of its own, above the progress. */
  say(text: string): void;
  end(): void;
}

/** Progress of a long run on stderr: one line that is rewritten on a terminal, a line now and then elsewhere. */
export function createProgressLine({ quiet, json }: CommonOptions): ProgressLine {
  const isTerminal = process.stderr.isTTY === true;
  let last = 0;
  let shown = '';
  const wipe = () => void (shown !== '' && process.stderr.write('\r\x1b[K'));
  return {
    update(progress) {
      if (quiet) return;
      const text = describeProgress(progress);
      if (isTerminal) {
        shown = text;
        process.stderr.write(`\r\x1b[K${text}`);
      } else if (!json && (progress.elapsed - last >= LINE_EVERY || progress.done === progress.total)) {
        last = progress.elapsed;
        process.stderr.write(`${text}\n`);
      }
    },
    say(text) {
      if (quiet) return;
      wipe();
      process.stderr.write(`${text}\n${shown}`);
    },
    end() {
      wipe();
      shown = '';
    },
  };
}

/** `12 of 69 (17 %), 2,140 frames a second, 1 min 20 s left` */
export function describeProgress({ done, total, frames, elapsed, left }: BatchProgress): string {
  const rate = elapsed > 0 ? Math.round(frames / elapsed).toLocaleString('en') : '–';
  const share = Math.floor((done / total) * 100);
  return `${done} of ${total} (${share} %), ${rate} frames a second, ${formatDuration(left)} left`;
}

/** Seconds the way a person says them. */
export function formatDuration(seconds: number): string {
  const whole = Math.round(seconds);
  if (whole < 60) return `${whole} s`;
  if (whole < 3600) return `${Math.floor(whole / 60)} min ${whole % 60} s`;
  return `${Math.floor(whole / 3600)} h ${Math.floor((whole % 3600) / 60)} min`;
}
