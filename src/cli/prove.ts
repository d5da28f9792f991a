import { Command, Option } from 'commander';
import { findAnimation } from '../convert/animations.ts';
import { auditCharacter } from '../convert/audit.ts';
import { sourceFigure, targetFigure } from '../convert/convert.ts';
import { openFile } from '../convert/node.ts';
import { createReceiver } from '../convert/receiver.ts';
import { writtenRate } from '../convert/reread.ts';
import { rigReport } from '../convert/rig-report.ts';
import type { Note } from '../errors.ts';
import { readAnimation } from '../formats/gltf/read-animation.ts';
import type { Proof } from '../proof/measure.ts';
import { formatProof } from '../proof/report-text.ts';
import { placeClip } from '../skeleton/normalise.ts';
import { frameOptions, parsePositive } from './body-options.ts';
import { type PairMappingFlags, pairConstraints, pairMappingOptions } from './constraints.ts';
import { type CommonOptions, createOutput, EXIT } from './output.ts';
import { performerOf, requireCharacter } from './performer.ts';
import { type ProofFlags, proofOptions, runProof } from './proof.ts';

interface ProveFlags extends CommonOptions, PairMappingFlags, ProofFlags {
  source?: string;
  animation?: string;
  sourceAnimation?: string;
  fps?: number;
  keepRestFrames?: boolean;
}

/** What `rigproof prove --json` prints. Members may be added; those here keep their meaning. */
export interface ProveResult {
  format: 'rigproof-proof';
  version: 1;
  file: string;
  animation: string;
  source: string | null;
  proof: Proof;
  warnings: Note[];
}

export function proveCommand(): Command {
  const command = new Command('prove')
    .description(
      'Measure an animated character: feet, reach, joints, jumps, skin; with its clip also how true it is to it.',
    )
    .argument('<animated>', 'a .glb, .gltf or .vrm with an animation')
    .option('--source <clip>', 'the clip that the motion came from')
    .option('--animation <name>', 'which animation (default: the last one)')
    .option('--source-animation <name>', 'which animation of the source, where it has several')
    .addOption(
      new Option(
        '--fps <rate>',
        'frames a second at which curves are sampled (default: as written, else 60)',
      ).argParser(parsePositive),
    )
    .option('--keep-rest-frames', 'the source was used with its opening rest frames');
  for (const option of [
    ...proofOptions(),
    ...pairMappingOptions(),
    ...frameOptions('source-', 'clip'),
    ...frameOptions('target-', 'character'),
  ]) {
    command.addOption(option);
  }
  return command
    .addHelpText('after', '\nExample:\n  rigproof prove hero-walk.glb --source walk.bvh --sheet proof.html')
    .action(proveFile);
}

async function proveFile(path: string, flags: ProveFlags): Promise<void> {
  const output = createOutput(flags);
  const constraints = await pairConstraints(flags);
  const stages = output.stages();
  stages.begin(`Reading ${path}`);
  const character = requireCharacter(await openFile(path), path);
  const index = findAnimation(character, flags.animation, 'last');
  const targetConstraints = constraints.of('target', character.skeleton);
  const receiver = createReceiver(character, targetConstraints);
  const { clip, notes } = readAnimation(character, index, flags.fps ?? writtenRate(character, index));
  const performer =
    flags.source === undefined
      ? undefined
      : performerOf(flags.source, await openFile(flags.source), (s) => constraints.of('source', s), {
          ...flags,
          animation: flags.sourceAnimation,
        });
  stages.begin('Proving');
  const target = targetFigure(receiver, placeClip(clip, character.skeleton, receiver.placement));
  const warnings = [...(performer?.notes ?? []), ...receiver.notes, ...notes];
  const context = () => ({
    target: path,
    source: flags.source,
    rig: rigReport(auditCharacter(character, targetConstraints).audit),
    notes: warnings,
  });
  const proof = await runProof(target, performer && sourceFigure(performer), path, context, flags);
  stages.end();
  const result: ProveResult = {
    format: 'rigproof-proof',
    version: 1,
    file: path,
    animation: character.animations[index]!.name,
    source: flags.source ?? null,
    proof,
    warnings,
  };
  output.json(result);
  for (const note of result.warnings) output.note(note);
  output.text(formatProof(proof, { name: `${path}, "${result.animation}"` }).trimEnd());
  if (flags.sheet) output.text(`\nProof sheet: ${flags.sheet}`);
  process.exitCode = proof.verdict === 'fail' ? EXIT.PROOF_FAILED : EXIT.DONE;
}
