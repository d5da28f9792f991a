import { readFileSync } from 'node:fs';
import { Command } from 'commander';
import { auditCommand } from './audit.ts';
import { batchCommand } from './batch.ts';
import { inspectCommand } from './inspect.ts';
import { openCommand } from './open.ts';
import { pairCommand } from './pair.ts';
import { proveCommand } from './prove.ts';
import { retargetCommand } from './retarget.ts';
import { triageCommand } from './triage.ts';
import { workCommand } from './work.ts';

const COMMANDS = [
  inspectCommand,
  pairCommand,
  retargetCommand,
  proveCommand,
  auditCommand,
  triageCommand,
  batchCommand,
  workCommand,
  openCommand,
];

/** The command line as a whole: every command with its options, nothing run yet. */
export function createProgram(): Command {
  const { version, description } = JSON.parse(readFileSync(new URL('../../package.json', import.meta.url), 'utf8'));
  const program = new Command('rigproof')
    .description(description)
    .version(version)
    .showHelpAfterError('(--help shows how it is used)')
    .configureHelp({ sortOptions: false, showGlobalOptions: false })
    .addHelpText(
      'after',
      '\nExit codes: 0 done, 1 done but the proof failed, 2 bad usage, 3 bad input.\nrigproof COMMAND --help shows an example of each command.',
    )
    .exitOverride();
  for (const create of COMMANDS) {
    const command = create()
      .option('--json', 'print the result as JSON on stdout')
      .option('--quiet', 'print nothing but errors')
      .option('--debug', 'show where in the program an error arose')
      .copyInheritedSettings(program);
    program.addCommand(command);
  }
  return program;
}
