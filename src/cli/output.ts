import { styleText } from 'node:util';
import { formatPlace, type Note } from '../errors.ts';

/** Options that every command has. */
export interface CommonOptions {
  json?: boolean;
  quiet?: boolean;
  debug?: boolean;
}

/** Exit codes, as documented in the README. */
export const EXIT = {
  DONE: 0,
  /** Done, but the proof failed (or the pairing is not sure enough to use). */
  PROOF_FAILED: 1,
  USAGE: 2,
  BAD_INPUT: 3,
  /** A fault in this program, not in what it was given. */
  INTERNAL: 70,
} as const;

/** What a command says: results on stdout, everything else on stderr. */
export interface Output {
  /** A line of the result, for a person. Nothing with `--json` or `--quiet`. */
  text(line?: string): void;
  /** The whole result, for a program. Only with `--json`. */
  json(result: object): void;
  /** A warning that is part of no result, on stderr. Nothing with `--quiet`; with `--json` it is in the result. */
  note(note: Note): void;
  /** Shows what is being done, on stderr, if that is a terminal: one line, replaced by the next and wiped at the end. */
  stages(): Stages;
  bold(text: string): string;
  dim(text: string): string;
  good(text: string): string;
  bad(text: string): string;
}

export interface Stages {
  begin(what: string): void;
  /** Wipes the line. May be called again. */
  end(): void;
}

export function createOutput(options: CommonOptions): Output {
  const speaks = !options.json && !options.quiet;
  const style = (format: 'bold' | 'dim' | 'green' | 'red', text: string) =>
    process.stdout.isTTY && !process.env.NO_COLOR ? styleText(format, text) : text;
  return {
    text(line = '') {
      if (speaks) process.stdout.write(`${line}\n`);
    },
    json(result) {
      if (options.json) process.stdout.write(`${JSON.stringify(result, jsonNumber, 2)}\n`);
    },
    note(note) {
      if (speaks) process.stderr.write(`${formatNote(note)}\n`);
    },
    stages() {
      const shows = !options.quiet && process.stderr.isTTY;
      // Erase the line, then write: ECMA-48, EL.
      return {
        begin: (what) => void (shows && process.stderr.write(`\r\x1b[K${what} …`)),
        end: () => void (shows && process.stderr.write('\r\x1b[K')),
      };
    },
    bold: (text) => style('bold', text),
    dim: (text) => style('dim', text),
    good: (text) => style('green', text),
    bad: (text) => style('red', text),
  };
}

/** A note in the form of errors: severity, place, code, message. */
export function formatNote(note: Note): string {
  const place = note.place ? formatPlace(note.place) : '';
  return `${note.severity === 'warning' ? 'warning' : 'note'}  ${place ? `${place}  ` : ''}${note.code}  ${note.message}`;
}

/** Columns of a table, aligned to the left; the last one is as wide as it likes. */
export function table(rows: readonly (readonly string[])[], indent = '  '): string[] {
  const widths: number[] = [];
  for (const row of rows) {
    for (const [i, cell] of row.entries()) widths[i] = Math.max(widths[i] ?? 0, cell.length);
  }
  return rows.map((row) =>
    (indent + row.map((cell, i) => (i === row.length - 1 ? cell : cell.padEnd(widths[i]! + 2))).join('')).trimEnd(),
  );
}

/** Numbers in JSON carry at most nine significant digits: more is noise that differs between machines. */
function jsonNumber(_key: string, value: unknown): unknown {
  return typeof value === 'number' && Number.isFinite(value) ? Number(value.toPrecision(9)) : value;
}
