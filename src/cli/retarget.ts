import { basename, dirname, extname, join } from 'node:path';
import { Command, Option } from 'commander';
import { auditCharacter } from '../convert/audit.ts';
import { convert } from '../convert/convert.ts';
import { DELIVER_DEFAULTS, type DeliveryForm } from '../convert/deliver.ts';
import { filesOf, openFile, readOutput, writeOutput } from '../convert/node.ts';
import { outputOf } from '../convert/output.ts';
import { reportPairing } from '../convert/pairing-report.ts';
import { createReceiver, receiverFor } from '../convert/receiver.ts';
import { rigReport } from '../convert/rig-report.ts';
import { ROOT_MOTIONS, type RootMotion } from '../convert/root-motion.ts';
import { type Note, RigproofError } from '../errors.ts';
import { inferFrameRate } from '../formats/bvh/index.ts';
import { bufferFilesOf } from '../formats/gltf/node.ts';
import { keepInputs } from '../formats/node.ts';
import { totalLength } from '../formats/pieces.ts';
import type { Proof } from '../proof/measure.ts';
import { formatProof } from '../proof/report-text.ts';
import { frameOptions, parsePositive } from './body-options.ts';
import { type PairMappingFlags, pairConstraints, pairMappingOptions } from './constraints.ts';
import { type MotionFlags, motionOptions, motionSettings } from './motion-options.ts';
import { type CommonOptions, createOutput, EXIT } from './output.ts';
import { performerOf, requireCharacter, type SourceFlags } from './performer.ts';
import { type ProofFlags, proofOptions, runProof } from './proof.ts';

interface RetargetFlags extends CommonOptions, PairMappingFlags, SourceFlags, ProofFlags, MotionFlags {
  output?: string;
  animationOnly?: boolean;
  name?: string;
  contact: boolean;
  rootMotion: RootMotion;
  keepAllKeys?: boolean;
  rotationTolerance: number;
  translationTolerance: number;
  int16?: boolean;
}

type OutputForm = DeliveryForm | 'gltf';

/** What `rigproof retarget --json` prints. Members may be added; those here keep their meaning. */
export interface RetargetResult {
  format: 'rigproof-retarget';
  version: 1;
  source: { file: string; joints: number; frames: number; fps: number; droppedFrames: number };
  target: { file: string; joints: number };
  pairs: number;
  /** Roles of the pairs that a person should look at. */
  unsure: string[];
  output: { file: string; form: OutputForm; animation: string; bytes: number; beside: string[] };
  proof: Proof;
  warnings: Note[];
}

export function retargetCommand(): Command {
  const command = new Command('retarget')
    .description('Put a clip onto a character, write the result, read it back and prove it.')
    .argument('<clip>', 'the motion: .bvh, or a .glb, .gltf or .vrm with animations')
    .argument('<character>', 'the character: .glb, .gltf or .vrm')
    .option(
      '-o, --output <file>',
      'what to write: .glb, .gltf (with a .bin beside it), .vrm, .bvh or .vrma (default: CHARACTER-CLIP.glb here)',
    )
    .option('--animation-only', 'a .glb of joints and motion, without meshes')
    .option('--name <name>', 'name of the animation (default: that of the clip file)')
    .option('--animation <name>', 'which animation, where the clip file has several')
    .addOption(new Option('--fps <rate>', 'frames a second at which a glTF clip is sampled').argParser(parsePositive))
    .option('--keep-rest-frames', 'keep opening frames that are a rest pose or a blend from it')
    .option('--no-contact', 'do not hold feet that stand')
    .addOption(
      new Option('--root-motion <way>', 'what becomes of the way over the floor').choices(ROOT_MOTIONS).default('keep'),
    )
    .option('--keep-all-keys', 'write a key at every frame')
    .addOption(
      new Option('--rotation-tolerance <degrees>', 'how far fewer keys may turn a joint')
        .default(DELIVER_DEFAULTS.rotationToleranceDegrees)
        .argParser(parsePositive),
    )
    .addOption(
      new Option('--translation-tolerance <mm>', 'how far fewer keys may move a joint')
        .default(DELIVER_DEFAULTS.translationToleranceMillimetres)
        .argParser(parsePositive),
    )
    .option('--int16', 'store rotations as normalised 16-bit integers (core glTF): half the bytes, 0.0035 degree');
  for (const option of [
    ...motionOptions(),
    ...proofOptions(),
    ...pairMappingOptions(),
    ...frameOptions('source-', 'clip'),
    ...frameOptions('target-', 'character'),
  ]) {
    command.addOption(option);
  }
  return command
    .addHelpText(
      'after',
      '\nExample:\n  rigproof retarget walk.bvh hero.glb -o hero-walk.glb\n\nAn output that is there is replaced; the clip and the character never are.',
    )
    .action(retarget);
}

async function retarget(clipPath: string, characterPath: string, flags: RetargetFlags): Promise<void> {
  const output = createOutput(flags);
  const outputPath = flags.output ?? `${stem(characterPath)}-${stem(clipPath)}.glb`;
  const form = formOf(outputPath, flags.animationOnly ?? false);
  await keepInputs(outputPath, [clipPath, characterPath]);
  const stages = output.stages();
  try {
    stages.begin(`Reading ${clipPath}`);
    const constraints = await pairConstraints(flags);
    // Chains paired by hand move a body of any kind.
    const anyBody = (constraints.mapping.chains ?? []).length > 0;
    const performer = performerOf(
      clipPath,
      await openFile(clipPath),
      (s) => ({ ...constraints.of('source', s), anyBody }),
      flags,
    );
    stages.begin(`Reading ${characterPath}`);
    const receiver = await receiverFor(flags.rootMotion, async (nodeAbove) => {
      const character = requireCharacter(await openFile(characterPath, { nodeAbove }), characterPath);
      return createReceiver(character, { ...constraints.of('target', character.skeleton), anyBody });
    });
    const { character } = receiver;
    const pairing = reportPairing(
      { file: clipPath, skeleton: performer.actor.skeleton, body: performer.body, notes: performer.notes },
      { file: characterPath, skeleton: receiver.actor.skeleton, body: receiver.body, notes: receiver.notes },
      anyBody,
    );
    stages.begin('Retargeting');
    const conversion = convert(performer, receiver, {
      ...motionSettings(flags),
      contact: flags.contact,
      mapping: constraints.mapping,
      rootMotion: { mode: flags.rootMotion },
    });
    stages.begin('Writing');
    const written = outputOf(
      { performer, receiver, conversion },
      {
        form,
        binaryName: `${stem(outputPath)}.bin`,
        name: flags.name ?? stem(clipPath),
        keepAllKeys: flags.keepAllKeys ?? false,
        rotationToleranceDegrees: flags.rotationTolerance,
        translationToleranceMillimetres: flags.translationTolerance,
        quantise: flags.int16 ? 'int16' : 'float32',
      },
    );
    const files = await filesOf(outputPath, written, characterPath);
    const beside = files.slice(0, -1).map(({ path }) => path);
    for (const path of beside) await keepInputs(path, [...inputFiles(clipPath), ...inputFiles(characterPath)]);
    await writeOutput(files);
    const { animation, pieces, binary } = written.file;
    const bytes = totalLength(pieces) + (binary?.bytes.length ?? 0);
    stages.begin('Proving');
    const { target, source, options } = await readOutput(outputPath, written);
    const context = () => ({
      target: outputPath,
      source: clipPath,
      rig: rigReport(auditCharacter(character, constraints.of('target', character.skeleton)).audit),
      notes: written.notes,
    });
    const proof = await runProof(target, source, outputPath, context, flags, options);
    const result: RetargetResult = {
      format: 'rigproof-retarget',
      version: 1,
      source: {
        file: clipPath,
        joints: performer.actor.skeleton.jointCount,
        frames: conversion.performer.clip.frameCount,
        fps: inferFrameRate(conversion.performer.clip.frameDuration).fps,
        droppedFrames: performer.droppedFrames,
      },
      target: { file: characterPath, joints: receiver.actor.skeleton.jointCount },
      pairs: pairing.pairs.length,
      unsure: pairing.unsure,
      output: { file: outputPath, form, animation, bytes, beside },
      proof,
      warnings: written.notes,
    };
    stages.end();
    output.json(result);
    for (const note of written.notes) output.note(note);
    output.text(formatProof(proof, { name: outputPath }).trimEnd());
    output.text();
    const names = [outputPath, ...beside].join(', ');
    output.text(`Written: ${names} (${Math.ceil(bytes / 1024)} kB), animation "${animation}"`);
    if (flags.sheet) output.text(`Proof sheet: ${flags.sheet}`);
    process.exitCode = proof.verdict === 'fail' ? EXIT.PROOF_FAILED : EXIT.DONE;
  } finally {
    stages.end();
  }
}

/** A file and the buffers that it refers to. */
function inputFiles(path: string): string[] {
  return [path, ...bufferFilesOf(path).map((name) => join(dirname(path), name))];
}

const stem = (path: string): string => basename(path, extname(path));

/** The form that an output name asks for. */
function formOf(path: string, animationOnly: boolean): OutputForm {
  const extension = extname(path).toLowerCase();
  // A .vrm is a .glb, and stays one with an animation more.
  if (extension === '.glb' || extension === '.vrm') return animationOnly ? 'animation-only' : 'glb';
  if (!animationOnly && ['.gltf', '.bvh', '.vrma'].includes(extension)) return extension.slice(1) as OutputForm;
  throw new RigproofError(
    'OUTPUT_FORM',
    `Got "${extension}" as the kind of output; expected ${animationOnly ? '.glb with --animation-only' : '.glb, .gltf, .vrm, .bvh or .vrma'}.`,
    { file: path },
    { hint: 'Give the output such a name with -o.' },
  );
}
