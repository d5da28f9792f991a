import { availableParallelism } from 'node:os';
import { Command, Option } from 'commander';
import type { GroupConstraints } from '../batch/groups.ts';
import { BATCH_DEFAULTS } from '../batch/settings.ts';
import type { LibraryTriage } from '../batch/triage/run.ts';
import { firstDefects } from '../batch/triage/summary-html.ts';
import type { TriageEntry } from '../batch/triage/triage-clip.ts';
import { formatError, RigproofError } from '../errors.ts';
import { INTERRUPTED, stopOnSignal } from './batch.ts';
import { parseCount } from './batch-options.ts';
import { createProgressLine } from './batch-progress.ts';
import { frameOptions, parsePositive } from './body-options.ts';
import { constraintsFrom, type FrameFlags, mappingOption, readMapping } from './constraints.ts';
import { type CommonOptions, createOutput, EXIT, type Output, table } from './output.ts';

interface TriageFlags extends CommonOptions, FrameFlags {
  output?: string;
  workers: number;
  sampleFps: number;
  mapping?: string;
}

/** What `rigproof triage --json` prints. Members may be added; those here keep their meaning. */
export interface TriageCommandResult extends Pick<LibraryTriage, 'entries' | 'duplicates' | 'interrupted' | 'files'> {
  format: 'rigproof-triage-run';
  version: 1;
}

export function triageCommand(): Command {
  const command = new Command('triage')
    .description('Look a library of clips over: what is in it, which captures are faulty, which are the same.')
    .argument('<clips...>', 'clips (.bvh, .glb, .gltf), folders, quoted patterns, or a list file (.txt), one a line')
    .option('-o, --output <folder>', 'write triage.json, triage.csv and triage.html there')
    .addOption(new Option('--workers <count>', 'threads').default(availableParallelism()).argParser(parseCount))
    .addOption(
      new Option('--sample-fps <rate>', 'frames a second at which clips from glTF files are sampled')
        .default(BATCH_DEFAULTS.sampleFps)
        .argParser(parsePositive),
    )
    .addOption(mappingOption('--mapping <file>', 'roles of the clips'));
  for (const option of frameOptions('', 'clips')) command.addOption(option);
  return command
    .addHelpText(
      'after',
      '\nExample:\n  rigproof triage library -o out\n\nExit codes: 0 done (defects are a result), 3 some files could not be read, 130 interrupted.',
    )
    .action(triage);
}

async function triage(clips: string[], flags: TriageFlags): Promise<void> {
  const output = createOutput(flags);
  const line = createProgressLine(flags);
  const stopping = stopOnSignal(() => line.say('Finishing what is in hand; once more to stop at once.'));
  const start = performance.now();
  let frames = 0;
  try {
    const mapping = flags.mapping ? await readMapping(flags.mapping) : undefined;
    const groupConstraints: GroupConstraints = (_, skeleton) => constraintsFrom(mapping, 'source', skeleton, flags);
    // As in batch.ts.
    const { triageLibrary } = await import('../batch/triage/run.ts');
    const result = await triageLibrary(
      {
        clips,
        outputFolder: flags.output ?? null,
        workers: flags.workers,
        sampleFps: flags.sampleFps,
        groupConstraints,
      },
      {
        signal: stopping.signal,
        onEntry(entry, done, total) {
          if (entry.status === 'read') frames += entry.frames;
          const elapsed = (performance.now() - start) / 1000;
          line.update({ done, total, frames, elapsed, left: (elapsed / done) * (total - done) });
        },
      },
    );
    line.end();
    for (const { name, error } of result.unusable) {
      line.say(
        formatError(new RigproofError(error.code, error.message, { file: name, ...error.place }, { hint: error.hint })),
      );
    }
    report(output, result);
  } finally {
    line.end();
    stopping.done();
  }
}

function report(output: Output, result: LibraryTriage): void {
  const { entries, groups, unusable, duplicates, interrupted, files } = result;
  output.json({
    format: 'rigproof-triage-run',
    version: 1,
    entries,
    duplicates,
    interrupted,
    files,
  } satisfies TriageCommandResult);
  for (const row of table(entries.map(rowOf))) output.text(row);
  for (const { a, b, distance } of duplicates)
    output.text(`  ${a} and ${b} are ${distance === 0 ? 'the same file' : 'nearly the same'}`);
  const broken = unusable.length + entries.filter(({ status }) => status !== 'read').length;
  const faulty = entries.filter((entry) => entry.status === 'read' && entry.worst > 0).length;
  output.text(
    `${entries.length} clips, ${groups.length} skeletons; ${faulty} with a defect${broken > 0 ? `, ${broken} could not be read` : ''}.`,
  );
  if (files) output.text(`Summary: ${files.html} (also .json and .csv)`);
  process.exitCode = interrupted ? INTERRUPTED : broken > 0 ? EXIT.BAD_INPUT : EXIT.DONE;
}

function rowOf(entry: TriageEntry): string[] {
  if (entry.status !== 'read') {
    const { code, message, place } = entry.error;
    return [entry.clip, formatError(new RigproofError(code, message, { ...place, file: undefined }))];
  }
  const { kind, seconds, fps } = entry;
  return [
    entry.clip,
    `${seconds.toFixed(1)} s at ${Number(fps.toFixed(2))}`,
    kind.isMoving ? 'moving' : 'in place',
    kind.period === null ? '' : `cycle ${kind.period.toFixed(2)} s`,
    firstDefects(entry) || 'no defect',
  ];
}
