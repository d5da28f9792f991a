import { availableParallelism } from 'node:os';
import { Command, Option } from 'commander';
import { LOST_AFTER } from '../batch/settings.ts';
import { describeRecord, stopOnSignal } from './batch.ts';
import { parseCount, programVersion } from './batch-options.ts';
import { parsePositive } from './body-options.ts';
import { type CommonOptions, createOutput } from './output.ts';

interface WorkFlags extends CommonOptions {
  queue: string;
  workers: number;
  lostAfter: number;
  untilEmpty?: boolean;
}

/** What `rigproof work --json` prints when it ends. */
export interface WorkCommandResult {
  format: 'rigproof-work';
  version: 1;
  /** Tasks that this process did; a task is a clip with its characters. */
  tasks: number;
}

export function workCommand(): Command {
  return new Command('work')
    .description('Do what rigproof batch --queue has put into a queue, on this machine, until Ctrl-C.')
    .requiredOption('--queue <address>', 'the queue: redis://host:port')
    .addOption(new Option('--workers <count>', 'threads').default(availableParallelism()).argParser(parseCount))
    .addOption(
      new Option('--lost-after <seconds>', 'a worker that gives no sign for so long is taken for dead')
        .default(LOST_AFTER)
        .argParser(parsePositive),
    )
    .option('--until-empty', 'end when nothing is left to do')
    .addHelpText(
      'after',
      '\nClips, characters and the output folder have to be there under the same paths as where the batch was started.\n\nExample:\n  rigproof work --queue redis://render-01:6379',
    )
    .action(workOnQueue);
}

async function workOnQueue(flags: WorkFlags): Promise<void> {
  const output = createOutput(flags);
  const say = (text: string) => void (!flags.quiet && process.stderr.write(`${text}\n`));
  const stopping = stopOnSignal(() => say('Finishing what is in hand; once more to stop at once.'));
  try {
    // The queue's client is loaded only where there is a queue: it takes as long to load as everything else.
    const { work } = await import('../batch/queue.ts');
    const tasks = await work(
      {
        url: flags.queue,
        version: programVersion(),
        workers: flags.workers,
        lostAfter: flags.lostAfter,
        untilEmpty: flags.untilEmpty,
      },
      {
        signal: stopping.signal,
        onReady: () => say(`Waiting for work at ${new URL(flags.queue).host}.`),
        onTask: (_, records) => {
          for (const record of records) say(describeRecord(record));
        },
        onTrouble: (message) => say(`trouble  ${message}`),
      },
    );
    const result: WorkCommandResult = { format: 'rigproof-work', version: 1, tasks };
    output.json(result);
    output.text(`${tasks} clips done.`);
  } finally {
    stopping.done();
  }
}
