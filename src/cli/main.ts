#!/usr/bin/env node
import { CommanderError } from 'commander';
import { formatError, RigproofError } from '../errors.ts';
import { EXIT } from './output.ts';
import { createProgram } from './program.ts';

/** Faults that lie in how the command was typed, not in a file. */
const USAGE_FAULTS = new Set([
  'FILE_IS_INPUT',
  'FILE_EXISTS',
  'MAP_NO_FILE',
  'MAP_WHICH_FIGURE',
  'CLIP_WHICH',
  'OUTPUT_FORM',
  'SERVE_PORT',
  'WEB_NOT_BUILT',
  'BATCH_NAMING',
  'QUEUE_ADDRESS',
  'STORE_ADDRESS',
  'STORE_KEY',
  'STORE_NO_QUEUE',
]);

/** Says what went wrong and returns the exit code for it. */
function report(error: unknown): number {
  // Commander has said it already; asking for help or the version is no fault.
  if (error instanceof CommanderError) return error.exitCode === 0 ? EXIT.DONE : EXIT.USAGE;
  // The line that said what was being done may still stand there.
  if (process.stderr.isTTY) process.stderr.write('\r\x1b[K');
  const debug = process.argv.includes('--debug');
  const stack = debug && error instanceof Error ? `\n${error.stack}` : '';
  if (error instanceof RigproofError) {
    process.stderr.write(`${formatError(error)}${stack}\n`);
    return USAGE_FAULTS.has(error.code) ? EXIT.USAGE : EXIT.BAD_INPUT;
  }
  const message = error instanceof Error ? error.message : String(error);
  const hint = debug ? '' : '\n  Run it again with --debug and report what it shows.';
  process.stderr.write(`This is a fault in rigproof, not in your files: ${message}${hint}${stack}\n`);
  return EXIT.INTERNAL;
}

// `rigproof … | head` closes the pipe early, which is no fault.
process.stdout.on('error', (error: NodeJS.ErrnoException) => {
  if (error.code === 'EPIPE') process.exit(process.exitCode ?? EXIT.DONE);
  throw error;
});

try {
  const program = createProgram();
  if (process.argv.length <= 2) {
    program.outputHelp({ error: true });
    process.exitCode = EXIT.USAGE;
  } else {
    await program.parseAsync();
  }
} catch (error) {
  process.exitCode = report(error);
}
