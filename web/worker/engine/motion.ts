import { type ConvertOptions, convert, reportPairing } from '../../../src/index.ts';
import type { Options } from '../../model/session.ts';
import type { Job } from '../protocol.ts';
import { performerOf, receiverOf } from './bodies.ts';
import { openRoot } from './open.ts';
import type { EngineState, Kept, PairedMotion } from './state.ts';

/** The motion of a job on its character. */
export async function motionOf(state: EngineState, job: Job): Promise<Kept<PairedMotion>> {
  const source = performerOf(state, job);
  await openRoot(state, job.character, receiverOf(state, job).value, job.options.rootMotion);
  const target = receiverOf(state, job);
  const { keepAllKeys: _keys, int16: _int16, ...moving } = job.options;
  const key = JSON.stringify([source.key, target.key, moving, job.mapping]);
  if (state.motion?.key === key) return state.motion;
  const [performer, receiver] = [source.value, target.value];
  const pairing = reportPairing(
    { file: job.clip.name, skeleton: performer.actor.skeleton, body: performer.body, notes: performer.notes },
    { file: job.character.name, skeleton: receiver.actor.skeleton, body: receiver.body, notes: receiver.notes },
  );
  const conversion = convert(performer, receiver, { ...convertOptions(moving), mapping: job.mapping });
  state.motion = { key, value: { performer, receiver, conversion, pairing } };
  return state.motion;
}

function convertOptions(options: Omit<Options, 'keepAllKeys' | 'int16'>): Partial<ConvertOptions> {
  const { ramp, rootMotion, repair, lowPass, from, to, mirror, loop, ...same } = options;
  const trim = from === null && to === null ? null : { from: from ?? undefined, to: to ?? undefined };
  return {
    ...same,
    plants: { ramp },
    filter: { repair, lowPass, trim, mirror, loop },
    rootMotion: { mode: rootMotion },
  };
}
