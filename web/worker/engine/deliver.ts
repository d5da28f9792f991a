import { mappingOf, writeMapping } from '../../../src/index.ts';
import type { Delivered, DeliverForm, Job } from '../protocol.ts';
import { performerOf, receiverOf } from './bodies.ts';
import { motionOf } from './motion.ts';
import { outputName } from './names.ts';
import { proofOf } from './prove.ts';
import type { EngineState } from './state.ts';
import { write } from './write.ts';

const EXTENSIONS: Record<DeliverForm, string> = {
  glb: '.glb',
  'animation-only': '.animation.glb',
  bvh: '.bvh',
  vrma: '.vrma',
  mapping: '.mapping.json',
  sheet: '.proof.html',
};

/** A file for the user to keep. */
export async function deliverFile(state: EngineState, job: Job, form: DeliverForm): Promise<Delivered> {
  return { name: outputName(job, EXTENSIONS[form]), bytes: await bytesOf(state, job, form) };
}

async function bytesOf(state: EngineState, job: Job, form: DeliverForm): Promise<Uint8Array<ArrayBuffer>> {
  if (form === 'sheet') return encode((await proofOf(state, job)).sheet());
  if (form === 'mapping') return encode(mappingText(state, job));
  const { value: motion } = await motionOf(state, job);
  return write(motion, job, form).file.bytes as Uint8Array<ArrayBuffer>;
}

/** The pairing as a file that the commands take too. */
function mappingText(state: EngineState, job: Job): string {
  const { actor: source, body: sourceBody } = performerOf(state, job).value;
  const { actor: target, body: targetBody } = receiverOf(state, job).value;
  const mapping = mappingOf(
    { file: job.clip.name, skeleton: source.skeleton, body: sourceBody, notes: [] },
    { file: job.character.name, skeleton: target.skeleton, body: targetBody, notes: [] },
    job.mapping,
  );
  return writeMapping(mapping);
}

function encode(text: string): Uint8Array<ArrayBuffer> {
  return new TextEncoder().encode(text);
}
