import { availableParallelism } from 'node:os';
import { Command, Option } from 'commander';
import { sharedFolders, throughStore } from '../batch/exchange.ts';
import { LOST_AFTER } from '../batch/settings.ts';
import { openStore } from '../batch/store/open-store.ts';
import { describeRecord, stopOnSignal } from './batch.ts';
import { parseCount, programVersion } from './batch-options.ts';
import { parsePositive } from './body-options.ts';
import { type CommonOptions, createOutput } from './output.ts';

interface WorkFlags extends CommonOptions {
  queue: string;
  store?: string;
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
    .option('--store <address>', 'the store that the batch was given: a folder, or s3://bucket/prefix')
    .addOption(new Option('--workers <count>', 'threads').default(availableParallelism()).argParser(parseCount))
    .addOption(
      new Option('--lost-after <seconds>', 'a worker that gives no sign for so long is taken for dead')
        .default(LOST_AFTER)
        .argParser(parsePositive),
    )
    .option('--until-empty', 'end when nothing is left to do')
    .addHelpText(
      'after',
      `
Without --store, clips, characters and the output folder have to be there under the same paths as where the batch was
started. A store in an object store is reached with AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY, AWS_REGION and
AWS_ENDPOINT_URL from the environment.

Examples:
  rigproof work --queue redis://render-01:6379
  rigproof work --queue redis://render-01:6379 --store s3://motion/hero`,
    )
    .action(workOnQueue);
}

async function workOnQueue(flags: WorkFlags): Promise<void> {
  const output = createOutput(flags);
  const say = (text: string) => void (!flags.quiet && process.stderr.write(`${text}\n`));
  const stopping = stopOnSignal(() => say('Finishing what is in hand; once more to stop at once.'));
  try {
    // The queue's client is loaded only where there is a queue: it takes as long to load as everything else.
    const { work } = await import('../batch/work.ts');
    const exchange = flags.store === undefined ? sharedFolders() : throughStore(await openStore(flags.store));
    const tasks = await work(
      {
        url: flags.queue,
        version: programVersion(),
        workers: flags.workers,
        exchange,
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
    output.text(`${tasks} ${tasks === 1 ? 'clip' : 'clips'} done.`);
  } finally {
    stopping.done();
  }
}
