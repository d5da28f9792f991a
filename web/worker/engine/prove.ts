import { parseContainer, proofSheet, prove, readBack, rigReport } from '../../../src/index.ts';
import type { Job } from '../protocol.ts';
import { auditOf } from './bodies.ts';
import { motionOf } from './motion.ts';
import { outputName } from './names.ts';
import type { EngineState, Proven } from './state.ts';
import { write } from './write.ts';

/** Writes the motion, reads it back and proves it, as the command line does. */
export async function proofOf(state: EngineState, job: Job): Promise<Proven> {
  const motion = await motionOf(state, job);
  const key = JSON.stringify([motion.key, job.options]);
  if (state.proven?.key === key) return state.proven.value;
  const written = write(motion.value, job, 'glb');
  const open = () => parseContainer(written.file.bytes, job.character.name);
  const { target, source, options } = await readBack(written, open, state.draco);
  // Drawn when it is asked for: an audit takes longer than the proof, and most proofs are of a motion that still changes.
  const sheet = (): string =>
    proofSheet(target, source, options, {
      target: outputName(job, '.glb'),
      source: job.clip.name,
      rig: rigReport(auditOf(state, job).audit),
      notes: written.notes,
    }).html;
  state.proven = { key, value: { proof: prove(target, source, options), sheet } };
  return state.proven.value;
}
