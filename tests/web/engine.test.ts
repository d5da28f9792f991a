import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import type { Clip } from '../../src/index.ts';
import { OPTIONS } from '../../web/model/session.ts';
import { createEngine, type Engine } from '../../web/worker/engine.ts';
import type { Job } from '../../web/worker/protocol.ts';
import { HAS_RIGS, RIGS_REASON, rigPath } from '../support/rigs.ts';

const CLIP = new URL('../../../shared/data/bvh/figure8_walk.bvh', import.meta.url);
/** Its hips are the topmost joint; a node above them is none. */
const RIG = 'skeleton_vrm1.vrm';

async function openAll(engine: Engine): Promise<Job> {
  const open = (id: string, name: string, path: URL | string) => {
    const bytes = new Uint8Array(readFileSync(path));
    return engine.open({ id, name, bytes: bytes.buffer, companions: [] });
  };
  await open('clip', 'walk.bvh', CLIP);
  await open('rig', RIG, rigPath(RIG));
  return {
    character: { id: 'rig', name: RIG },
    clip: { id: 'clip', name: 'walk.bvh', animation: null, title: 'walk' },
    mapping: {},
    spaces: { source: {}, target: {} },
    options: OPTIONS,
  };
}

/** How far a joint goes over the floor by its own translations, metres. */
function wayOf({ translationJoints, translations, frameCount }: Clip, joint: number): number {
  const slot = translationJoints.indexOf(joint);
  const at = (f: number, k: number) => translations[(f * translationJoints.length + slot) * 3 + k]!;
  let sum = 0;
  for (let f = 1; f < frameCount; f++) sum += Math.hypot(at(f, 0) - at(f - 1, 0), at(f, 2) - at(f - 1, 2));
  return sum;
}

describe('the engine of the app', () => {
  it.skipIf(!HAS_RIGS)(`puts the travel onto a node above the hips that is no joint yet${RIGS_REASON}`, async () => {
    const engine = createEngine(() => Promise.reject(new Error('no compressed mesh')));
    const job = await openAll(engine);
    const kept = await engine.motion(job);
    const extracted = await engine.motion({ ...job, options: { ...OPTIONS, rootMotion: 'extract' } });
    const hipsBefore = kept.conversion.plan.target.body.roles.hips!;
    const { body, skeleton } = extracted.conversion.plan.target;
    const root = skeleton.parents[body.roles.hips!]!;
    expect(kept.conversion.plan.target.skeleton.parents[hipsBefore]).toBe(-1);
    expect(root).toBeGreaterThanOrEqual(0);
    // The way over the floor, as much as the hips went before.
    expect(wayOf(extracted.conversion.clip, root)).toBeGreaterThan(0.8 * wayOf(kept.conversion.clip, hipsBefore));
    const { proof } = await engine.prove({ ...job, options: { ...OPTIONS, rootMotion: 'extract' } });
    expect(proof.measures.find(({ id }) => id === 'plant-drift')?.verdict).toBe('pass');
    // Without it the character is as it was.
    expect((await engine.motion(job)).conversion.plan.target.skeleton.jointCount).toBe(skeleton.jointCount - 1);
  });
});
