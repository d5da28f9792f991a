import { availableParallelism } from 'node:os';
import { Command, Option } from 'commander';
import { BASELINE_TOLERANCE, type BaselineComparison, compareRuns, readBaseline } from '../batch/baseline.ts';
import type { Runner } from '../batch/crew.ts';
import { leaveFiles, sharedFolders, throughStore } from '../batch/exchange.ts';
import type { JobRecord } from '../batch/job.ts';
import type { BatchPlan } from '../batch/plan.ts';
import type { BatchResult } from '../batch/run.ts';
import { openStore } from '../batch/store/open-store.ts';
import { formatError, RigproofError } from '../errors.ts';
import {
  batchPairing,
  type DeliveryFlags,
  deliveryOptions,
  parseCount,
  parseShard,
  programVersion,
} from './batch-options.ts';
import { createProgressLine } from './batch-progress.ts';
import { frameOptions, parsePositive } from './body-options.ts';
import { type PairMappingFlags, pairMappingOptions } from './constraints.ts';
import { type CommonOptions, createOutput, EXIT, type Output } from './output.ts';

interface BatchFlags extends CommonOptions, PairMappingFlags, DeliveryFlags {
  character: string[];
  output: string;
  workers: number;
  shard?: { index: number; count: number };
  strict?: boolean;
  baseline?: string;
  baselineTolerance: number;
  queue?: string;
  store?: string;
  verbose?: boolean;
}

/** What `rigproof batch --json` prints. Members may be added; those here keep their meaning. */
export interface BatchCommandResult {
  format: 'rigproof-batch-run';
  version: 1;
  counts: BatchResult['counts'];
  /** Jobs that this run did. */
  converted: number;
  interrupted: boolean;
  files: BatchResult['files'];
  /** With `--baseline`. */
  baseline?: BaselineComparison;
}

/** As shells count an end by Ctrl-C: 128 and the number of the signal. */
export const INTERRUPTED = 130;

export function batchCommand(): Command {
  const command = new Command('batch')
    .description('Put a library of clips onto characters, unattended: convert, write, prove, and sum up.')
    .argument('<clips...>', 'clips (.bvh, .glb, .gltf), folders, quoted patterns, or a list file (.txt), one a line')
    .requiredOption('--character <rig...>', 'the characters: .glb, .gltf or .vrm')
    .requiredOption('-o, --output <folder>', 'where the results go; a second run does only what has changed')
    .addOption(new Option('--workers <count>', 'threads').default(availableParallelism()).argParser(parseCount))
    .addOption(new Option('--shard <i/n>', 'only the i-th of n shares, for job arrays').argParser(parseShard))
    .option('--baseline <summary>', 'compare with the summary.json of an earlier run; what got worse ends it with 1')
    .addOption(
      new Option('--baseline-tolerance <share>', 'how much of what passes a measure may move')
        .default(BASELINE_TOLERANCE)
        .argParser(parsePositive),
    )
    .option('--queue <address>', 'put the work into a queue for rigproof work: redis://host:port')
    .option(
      '--store <address>',
      'with --queue, for workers that do not see these folders: a folder, or s3://bucket/prefix',
    )
    .option('--strict', 'do not begin when the pairing of a skeleton group is not sure')
    .option('--verbose', 'a line for each clip that is done');
  for (const option of [
    ...deliveryOptions(),
    ...pairMappingOptions(),
    ...frameOptions('source-', 'clips'),
    ...frameOptions('target-', 'characters'),
  ]) {
    command.addOption(option);
  }
  return command
    .addHelpText(
      'after',
      `
Examples:
  rigproof batch library --character hero.glb --character guard.glb -o out
  rigproof batch 'library/**/walk*.bvh' --character hero.glb -o out --int16 --sheets all

Exit codes: 0 all hold, 1 some proofs failed (with --baseline: something got worse), 3 some inputs could not be used, ${INTERRUPTED} interrupted.`,
    )
    .action(batch);
}

async function batch(clips: string[], flags: BatchFlags): Promise<void> {
  const output = createOutput(flags);
  const line = createProgressLine(flags);
  const stopping = stopOnSignal(() => line.say('Finishing what is in hand; once more to stop at once.'));
  try {
    const { settings, ...constraints } = await batchPairing(flags);
    // Read before the run, which may replace it.
    const before = flags.baseline === undefined ? undefined : await readBaseline(flags.baseline);
    const queue = flags.queue === undefined ? undefined : await queueAt(flags.queue, flags.store);
    if (flags.store !== undefined && !queue) throw storeWithoutQueue();
    // The library of the threads is loaded only by commands that have them.
    const { runBatch } = await import('../batch/run.ts');
    const result = await runBatch(
      {
        ...constraints,
        clips,
        characters: flags.character,
        outputFolder: flags.output,
        settings,
        workers: flags.workers,
        shard: flags.shard,
        strict: flags.strict,
        version: programVersion(),
      },
      {
        signal: stopping.signal,
        onPlan: (plan, jobs) => sayPlan(plan, jobs, line.say),
        onRecord(record, progress) {
          if (flags.verbose || record.status === 'unreadable') line.say(describeRecord(record));
          line.update(progress);
        },
      },
      queue?.runner,
    );
    await queue?.leaveFiles(flags.output, result);
    line.end();
    const baseline = before && compareRuns(before, await readBaseline(result.files.json), flags.baselineTolerance);
    reportResult(output, result, baseline);
  } finally {
    line.end();
    stopping.done();
  }
}

/** The queue's client is loaded only where there is a queue: it takes as long to load as everything else. */
async function queueAt(
  url: string,
  storeAddress: string | undefined,
): Promise<{ runner: Runner; leaveFiles(folder: string, result: BatchResult): Promise<void> }> {
  const { queueRunner } = await import('../batch/queue.ts');
  const address = { url, version: programVersion() };
  if (storeAddress === undefined) {
    return { runner: queueRunner(address, sharedFolders()), leaveFiles: async () => {} };
  }
  const store = await openStore(storeAddress);
  return {
    runner: queueRunner(address, throughStore(store)),
    leaveFiles: (folder, { files, packs }) => leaveFiles(store, folder, [...packs, ...Object.values(files)]),
  };
}

function storeWithoutQueue(): RigproofError {
  return new RigproofError(
    'STORE_NO_QUEUE',
    'Got --store without --queue.',
    {},
    { hint: 'A store serves the workers of a queue: give its address too, or leave out --store.' },
  );
}

/** Aborts at the first Ctrl-C (or SIGTERM); the second one ends the process. */
export function stopOnSignal(onStop: () => void): { signal: AbortSignal; done(): void } {
  const controller = new AbortController();
  const stop = () => {
    if (controller.signal.aborted) process.exit(INTERRUPTED);
    controller.abort();
    onStop();
  };
  process.on('SIGINT', stop).on('SIGTERM', stop);
  return { signal: controller.signal, done: () => void process.off('SIGINT', stop).off('SIGTERM', stop) };
}

function sayPlan(
  plan: BatchPlan,
  { pending, total }: { pending: number; total: number },
  say: (text: string) => void,
): void {
  for (const { name, error } of plan.unusable) {
    say(
      formatError(new RigproofError(error.code, error.message, { file: name, ...error.place }, { hint: error.hint })),
    );
  }
  for (const { id, family, clips, from, doubts } of plan.groups) {
    if (doubts.length > 0)
      say(`unsure  group ${id} (family ${family}, ${clips} clips, as ${from}): ${doubts.join(' ')}`);
  }
  const kept = total - pending;
  say(
    `${total} to do: ${plan.characters.length} characters, ${plan.groups.length} skeleton groups${kept > 0 ? `; ${kept} are done already` : ''}.`,
  );
}

/** `✓ pass  dances/salsa_01.bvh on knight`; what fails says by which measure. */
export function describeRecord(record: JobRecord): string {
  const { clip, character } = record;
  if (record.status === 'unreadable') {
    const { code, message, place, hint } = record.error;
    return formatError(new RigproofError(code, message, { file: clip, ...place }, { hint: hint ?? undefined }));
  }
  const { verdict, worst, frames } = record;
  const why = verdict === 'fail' && worst ? `  ${worst.id} ${worst.ratio.toFixed(1)} times what passes` : '';
  return `${verdict.padEnd(4)}  ${clip} on ${character}, ${frames} frames${why}`;
}

function reportResult(
  output: Output,
  { counts, converted, interrupted, files }: BatchResult,
  baseline: BaselineComparison | undefined,
): void {
  const result: BatchCommandResult = {
    format: 'rigproof-batch-run',
    version: 1,
    counts,
    converted,
    interrupted,
    files,
    baseline,
  };
  output.json(result);
  const broken = counts.unreadable + counts.unusable;
  const parts = [`${counts.pass} hold`, `${counts.fail} fail their proof`];
  if (counts.notMeasured > 0) parts.push(`${counts.notMeasured} could not be measured`);
  if (broken > 0) parts.push(`${broken} could not be used`);
  if (counts.missing > 0) parts.push(`${counts.missing} are not done`);
  output.text(`${converted} converted; of ${counts.jobs}, ${parts.join(', ')}.`);
  if (baseline) reportBaseline(output, baseline);
  output.text(`Summary: ${files.html} (also .json and .csv)`);
  if (interrupted) output.text('Interrupted. The same command goes on from here.');
  const isBad = baseline ? baseline.worse.length > 0 : counts.fail > 0;
  process.exitCode = interrupted ? INTERRUPTED : broken > 0 ? EXIT.BAD_INPUT : isBad ? EXIT.PROOF_FAILED : EXIT.DONE;
}

/** Changes that are listed of each kind; all are in --json. */
const MOST_CHANGES = 20;

function reportBaseline(output: Output, { better, worse, added, removed, same }: BaselineComparison): void {
  output.text(
    `Against the earlier run: ${worse.length} measures worse, ${better.length} better; ${same} clips the same, ${added} new, ${removed} gone.`,
  );
  for (const [word, changes] of [
    ['worse', worse],
    ['better', better],
  ] as const) {
    for (const { clip, character, measure, before, after } of changes.slice(0, MOST_CHANGES)) {
      output.text(`  ${word.padEnd(6)}  ${clip} on ${character}: ${measure} ${shown(before)} → ${shown(after)}`);
    }
    if (changes.length > MOST_CHANGES) output.text(`  ${word.padEnd(6)}  and ${changes.length - MOST_CHANGES} more`);
  }
}

function shown(value: number | string | null): string {
  return typeof value === 'number' ? String(Number(value.toPrecision(4))) : (value ?? '–');
}
